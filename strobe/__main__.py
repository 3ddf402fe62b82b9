"""``python -m strobe`` is the same as the command ``strobe``."""

import signal
import sys

__all__ = ["main"]

INTERRUPTED = 130


def _end(number: int, _: object) -> None:
    # A terminal that closes may say so twice, by its shell and by itself; the second must not cut the clearing short.
    signal.signal(number, signal.SIG_IGN)
    raise SystemExit(128 + number)


def main() -> int:
    """Run the command line of this process; also where it is interrupted before the commands are there.

    Who ends the process or closes its terminal leaves nothing half-written either, nor a terminal without echo.
    """
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # Ignored where nohup said so.
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _end)
    try:
        from strobe.cli import main as run_commands

        return run_commands()
    except KeyboardInterrupt:
        sys.stderr.write("strobe: interrupted\n")
        return INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
