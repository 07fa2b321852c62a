"""A simulated moulding process with known truth, and the files of sample-runs/."""
