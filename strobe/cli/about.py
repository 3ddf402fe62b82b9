"""`strobe about`: what runs here, for a bug report."""

from __future__ import annotations

from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.console import ExitStatus, Surroundings, settle, write_line

__all__ = ["LIBRARIES", "about", "facts_of_this_place"]

LIBRARIES = (
    *("numpy", "scipy", "opencv-python", "av", "typer", "rich", "matplotlib", "platformdirs", "jinja2", "fpdf2"),
    *("tomlkit", "threadpoolctl"),
)
"""What the package asks for when it is installed."""


@app.command("about")
def about(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
) -> None:
    """Print the versions of all that runs here, for a bug report.

    Nothing is looked up over a network, and nothing of clips, jobs or settings
    is in it but the places of the two files.

    \b
    Examples:
      strobe about
      strobe about --json
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        facts = facts_of_this_place()
        if as_json:
            import json

            write_line(here.out, json.dumps({"schema": "strobe.about/1", **facts}))
        else:
            for name, text in facts.items():
                write_line(here.out, f"{name:<18}{text}")
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe about"))


def facts_of_this_place() -> dict[str, str]:
    """Name to version, or to what else a bug report needs, in the order of a report."""
    import platform
    import sys
    from importlib.metadata import PackageNotFoundError, version

    from strobe.bench import default_log_path
    from strobe.capture.versions import decoder_versions
    from strobe.configuration import configuration_path

    def installed(name: str) -> str:
        try:
            return version(name)
        except PackageNotFoundError:
            return "not installed under this name"

    return {
        "strobe": version("strobe"),
        "python": f"{platform.python_version()} on {platform.platform()}",
        **{name: installed(name) for name in LIBRARIES},
        **decoder_versions(),
        "text coding": f"{sys.stdout.encoding or 'none'}, files {sys.getfilesystemencoding()}",
        "configuration": str(configuration_path(None)[0]),
        "bench log": str(default_log_path()),
    }
