"""`nightloom report`: what a night came to, as one page for a browser or a printer."""

import argparse
import json
import os
import shutil
import subprocess
import tempfile
from datetime import date
from pathlib import Path

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, add_night, settings_of
from nightloom.errors import BadInput
from nightloom.report import Sources, report_file, write_report
from nightloom.settings import Settings
from nightloom.telemetry.nights import log_file, nights_logged

PRINTER = "chromium"
PRINTING_S = 120.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    add_night(parser, "the newest one that has a log")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="where it goes (default: reports/DATE.html in the configured output folder)",
    )
    parser.add_argument("--pdf", action="store_true", help=f"print it to PDF, too, with {PRINTER}")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Write the report of a night, and say what it says first."""
    if arguments.pdf and shutil.which(PRINTER) is None:
        raise BadInput(f"--pdf needs {PRINTER}, which is not installed.")
    settings = settings_of(arguments)
    folder = settings.observatory.output_folder
    night = arguments.night or _newest(settings)
    sources = Sources.under(settings, night, log_file(folder, night))
    file: Path = arguments.out or report_file(folder, night)
    try:
        written = write_report(sources, file)
    except OSError as error:
        raise BadInput(f"The report {file} cannot be written: {error}.") from None
    pdf = printed(file) if arguments.pdf else None
    if arguments.json:
        also = {"file": str(file), "pdf": str(pdf) if pdf else None}
        print(json.dumps({**written.figures, **also}))
    else:
        print(written.said)
        print(f"Written to {file}{f' and {pdf}' if pdf else ''}.")
    return DONE


def _newest(settings: Settings) -> date:
    nights = nights_logged(settings.observatory.output_folder)
    if not nights:
        folder = settings.observatory.output_folder / "logs"
        raise BadInput(f"There is no night in {folder}; name one with --night.")
    return nights[-1]


def _as_root() -> list[str]:
    """Its sandbox refuses to work for root; the page is our own and has no script."""
    return ["--no-sandbox"] if os.geteuid() == 0 else []


def printed(file: Path) -> Path:
    """The report as a PDF beside it. Raises BadInput where the browser cannot."""
    pdf = file.absolute().with_suffix(".pdf")
    with tempfile.TemporaryDirectory(prefix="printing-") as home:
        try:
            subprocess.run(
                [
                    *(PRINTER, "--headless=new", "--disable-gpu", *_as_root()),
                    *("--no-pdf-header-footer", f"--user-data-dir={home}"),
                    *(f"--print-to-pdf={pdf}", file.absolute().as_uri()),
                ],
                check=True,
                capture_output=True,
                timeout=PRINTING_S,
            )
        except (OSError, subprocess.SubprocessError) as error:
            raise BadInput(f"The report {pdf} could not be printed: {error}.") from None
    return pdf
