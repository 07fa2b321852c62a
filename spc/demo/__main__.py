"""Write the sample files: ``python -m spc.demo FOLDER``."""

import sys
from pathlib import Path

from spc.demo.files import write
from spc.demo.scenario import build


def main(arguments: list[str]) -> int:
    """Write the scenario into the folder named and return the exit status."""
    if len(arguments) != 1:
        print("usage: python -m spc.demo FOLDER", file=sys.stderr)
        return 2
    written = write(Path(arguments[0]), build())
    print(f"wrote {len(written)} files into {arguments[0]}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
