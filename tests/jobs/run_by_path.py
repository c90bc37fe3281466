"""A theatre runs its play, another script, by `runpy`."""

import runpy
from pathlib import Path

if __name__ == "__main__":
    runpy.run_path(str(Path(__file__).with_name("thread_bounded.py")), run_name="__main__")
