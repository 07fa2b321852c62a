"""Studies into plotly figures: pure functions, tested by their traces."""
