"""Draws the pictures of the README anew, from a run on the simulated bench.

python -m tests.readme_pictures .readme        (needs pdftoppm for the certificate)
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from io import StringIO
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from acq.desk.command_line import run_command
from acq.desk.live_view import LiveView
from acq.runs.folders import find_run_folder
from acq.runs.journal import read_journal

SERIAL = "B-011902"
COMMAND = ["run", "acceptance", "--cell", SERIAL, "--simulated"]
RUN = "SIM-healthy-1-001"
WIDTH = 128
HEAD, TAIL = 21, 25  # lines shown of the run's beginning and end

# dark on light, readable in black and white; no font is fetched from anywhere
THEME = TerminalTheme(
    (253, 253, 251),
    (30, 34, 38),
    [(30, 34, 38), (160, 40, 30), (20, 110, 90), (140, 100, 10)] + [(60, 70, 80)] * 4,
)
FORMAT = """<svg class="terminal" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px;
 line-height: {line_height}px; font-variant-east-asian: full-width; }}
{styles}</style>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" /></clipPath>{lines}</defs>
<rect width="{width}" height="{height}" rx="8" fill="#fdfdfb" stroke="#c8ccd0"/>
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}<g class="{unique_id}-matrix">{matrix}</g></g></svg>
"""


def recording(width: int = WIDTH) -> Console:
    """Return a console that keeps what it prints."""
    return Console(
        record=True,
        width=width,
        file=StringIO(),
        force_terminal=True,
        highlight=False,
        color_system="standard",
    )


def save(console: Console, path: Path, name: str) -> None:
    """Write what a console printed as a picture in our own style."""
    console.save_svg(str(path), title="", theme=THEME, code_format=FORMAT, unique_id=name)


def terminal(target: Path) -> None:
    """Show the run's journal as a terminal shows it, without its middle."""
    everything = recording()
    view = LiveView(prompts=True, console=everything)
    lines, _ = read_journal(find_run_folder(RUN).journal)
    for line in lines:
        if line.what not in ("check-opened", "waiting"):  # the moving line below the findings
            view.see(line)
    view.close()
    told = everything.export_text(styles=True).splitlines()
    shown = recording()
    shown.print(f"$ bridgebench {' '.join(COMMAND)}", style="bold")
    for text in [*told[:HEAD], "      ...", *told[-TAIL:]]:
        shown.print(Text.from_ansi(text), no_wrap=True, crop=True)
    save(shown, target / "terminal.svg", "run")


def certificate(target: Path) -> None:
    """Show the certificate's first page."""
    with tempfile.TemporaryDirectory() as folder:
        pdf = Path(folder) / "certificate.pdf"
        run_command(["certificate", RUN, "-o", str(pdf)])
        picture = str(target / "certificate")
        options = ["-r", "90", "-f", "1", "-singlefile", "-png"]
        subprocess.run(["pdftoppm", *options, str(pdf), picture], check=True)


def main(target: Path) -> None:
    """Run the README's command in an empty data folder, and draw."""
    with tempfile.TemporaryDirectory() as home:
        os.environ["XDG_DATA_HOME"] = home
        run_command(COMMAND)
        terminal(target)
        certificate(target)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
