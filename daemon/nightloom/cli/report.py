"""`nightloom report`: what a night came to, as one page for a browser or a printer."""

import argparse
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, add_night, settings_of
from nightloom.cli.picture import save
from nightloom.cli.rehearsed import rehearsed_settings
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME
from nightloom.report import Sources, report_file, write_report
from nightloom.telemetry.nights import log_file, nights_in, nights_logged

PRINTER = "chromium"
PRINTING_S = 120.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    add_night(parser, "the newest one that has a log")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="of a rehearsal, by its folder (default: of the configured output folder)",
    )
    parser.add_argument(
        "--file",
        type=Path,
        help="where it goes (default: reports/DATE.html in the configured output folder, or"
        " report.html in the rehearsal's, report-DATE.html where it holds several nights)",
    )
    parser.add_argument(
        "--picture", type=Path, metavar="FILE", help="draw the night as a line of time, too, as SVG"
    )
    parser.add_argument("--pdf", action="store_true", help=f"print it to PDF, too, with {PRINTER}")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Write the report of a night, and say what it says first."""
    if arguments.pdf and shutil.which(PRINTER) is None:
        raise BadInput(f"--pdf needs {PRINTER}, which is not installed.")
    sources, file = _of_rehearsal(arguments) if arguments.out else _of_rig(arguments)
    file = arguments.file or file
    try:
        written = write_report(sources, file)
    except OSError as error:
        raise BadInput(f"The report {file} cannot be written: {error}.") from None
    made = {"file": file, "pdf": printed(file) if arguments.pdf else None}
    if arguments.picture:
        save(written.drawing, arguments.picture, "--picture")
    made["picture"] = arguments.picture
    if arguments.json:
        paths = {name: str(path) if path else None for name, path in made.items()}
        print(json.dumps({**written.figures, **paths}))
    else:
        print(written.said)
        print(f"Written to {', '.join(str(path) for path in made.values() if path)}.")
    return DONE


def _of_rig(arguments: argparse.Namespace) -> tuple[Sources, Path]:
    """A night of the configured rig, and where its report goes. Raises BadInput."""
    settings = settings_of(arguments)
    folder = settings.observatory.output_folder
    night = arguments.night or _newest(nights_logged(folder), folder / "logs")
    return Sources.under(settings, night, log_file(folder, night)), report_file(folder, night)


def _of_rehearsal(arguments: argparse.Namespace) -> tuple[Sources, Path]:
    """A night in a rehearsal's folder, and where its report goes. Raises BadInput."""
    folder: Path = arguments.out
    nights = nights_in(folder)
    night = arguments.night or _newest(nights, folder)
    file = folder / ("report.html" if len(nights) < 2 else f"report-{night}.html")
    settings = rehearsed_settings(folder, arguments.config)
    log, ledger = folder / f"{night}.jsonl", folder / FILE_NAME
    return Sources(settings, night, log, ledger, folder / "frames"), file


def _newest(nights: Sequence[date], folder: Path) -> date:
    if not nights:
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
