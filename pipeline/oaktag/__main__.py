"""`python -m oaktag` does what `oaktag` does."""

from __future__ import annotations

from oaktag.cli import main

if __name__ == "__main__":
    main()
