"""``python -m strobe`` is the same as the command ``strobe``."""

import sys

__all__ = ["main"]

INTERRUPTED = 130


def main() -> int:
    """Run the command line of this process; also where it is interrupted before the commands are there."""
    try:
        from strobe.cli import main as run_commands

        return run_commands()
    except KeyboardInterrupt:
        sys.stderr.write("strobe: interrupted\n")
        return INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
