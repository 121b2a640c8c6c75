"""The code blocks of README.md, DEVELOPERS.md and docs/: what each one is, and how its page is run.

A comment before a fenced block says what the tests do with it:

    <!-- file: NAME -->        write it to that file
    <!-- run: GROUP -->        run it, sh or Python; Python blocks of one group share their names
    <!-- prints: GROUP -->     what the last block of the group printed; `...` stands for any text, alone for any lines
    <!-- part: campaign -->    keys of a campaign file, which is otherwise complete
    <!-- part: device -->      keys of a device
    <!-- part: importer X -->  options of the importer X
    <!-- not run: REASON -->   not run

A comment `<!-- folder: PAGE -->` anywhere in a page says that it goes on in the folder that another page leaves.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from markdown_it import MarkdownIt

ROOT = Path(__file__).parent.parent
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *(page for page in sorted((ROOT / "docs").rglob("*.md")) if "_build" not in page.parts),
]
KINDS = ("file", "run", "prints", "part", "not run")
MARK = re.compile(r"<!--\s*(file|run|prints|part|not run|folder):\s*(.*?)\s*-->", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """A fenced block: its page and line, its mark (kind and name, empty if it has none), language and text."""

    page: Path
    line: int
    kind: str
    name: str
    language: str
    text: str

    def __str__(self) -> str:
        return f"{self.page.relative_to(ROOT)}:{self.line}"


def parse_markdown(page: Path):
    """Tokens of a page."""
    return MarkdownIt("commonmark").parse(page.read_text(encoding="utf-8"))


def blocks(page: Path) -> Iterator[Block]:
    """Blocks of a page in their order; indented ones have the language "indented"."""
    mark = None
    for token in parse_markdown(page):
        if token.type == "html_block":
            mark = MARK.fullmatch(token.content.strip())
            continue
        if token.type in ("fence", "code_block"):
            language = token.info.strip() if token.type == "fence" else "indented"
            kind, name = mark.groups() if mark and mark[1] in KINDS else ("", "")
            yield Block(page, token.map[0] + 1, kind, name, language, token.content)
        mark = None


def folder_of(page: Path) -> Path | None:
    """The page whose folder a page goes on in."""
    for kind, name in MARK.findall(page.read_text(encoding="utf-8")):
        if kind == "folder":
            return (page.parent / name).resolve()
    return None


def run_python(text: str, where: str, names: dict[str, object]) -> str:
    """Run a block in this process; what it printed."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(text, where, "exec"), names)
    return printed.getvalue()


def run_shell(text: str, where: str, folder: Path, one_process: bool) -> str:
    """Run a block with sh, which stops at the first command that fails; what it printed."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    # Snakemake starts a process for each stage, which takes most of the time of a small campaign.
    command = f'anechain() {{ "{sys.executable}" "{ROOT}/tests/one_process.py" "$@"; }}\n' if one_process else ""
    done = subprocess.run(
        ["sh", "-e", "-c", command + text],
        cwd=folder,
        env={**os.environ, "PATH": path, "COLUMNS": "100"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, f"{where}: status {done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr, f"{where}: {done.stderr}"
    return done.stdout


def matches(text: str, printed: str) -> bool:
    """Whether printed lines are those of a text in which `...` stands for any text, or alone for any lines."""
    pattern = ""
    for line in text.strip("\n").split("\n"):
        pattern += r"(?:.*\n)*" if line.strip() == "..." else re.escape(line).replace(r"\.\.\.", ".*") + r"\n"
    return re.fullmatch(pattern, printed.strip("\n") + "\n") is not None


@dataclass(frozen=True)
class Result:
    """A page that was run: its folder, what each block printed, and the names of each group of Python blocks."""

    folder: Path
    printed: tuple[tuple[Block, str], ...]
    names: dict[str, dict[str, object]]


def run_page(page: Path, folder: Path, before: Callable[[Path], Result], one_process: bool = True) -> Result:
    """Write and run all blocks of a page in a folder; `before` runs the page whose folder it goes on in."""
    base = folder_of(page)
    if base is not None:
        shutil.copytree(before(base).folder, folder, dirs_exist_ok=True)
    printed: list[tuple[Block, str]] = []
    names: dict[str, dict[str, object]] = {}
    last: dict[str, str] = {}
    for block in blocks(page):
        if block.kind == "file":
            (folder / block.name).parent.mkdir(parents=True, exist_ok=True)
            (folder / block.name).write_text(block.text, encoding="utf-8")
        elif block.kind == "run" and block.language == "python":
            with contextlib.chdir(folder):
                last[block.name] = run_python(block.text, str(block), names.setdefault(block.name, {}))
            printed.append((block, last[block.name]))
        elif block.kind == "run":
            last[block.name] = run_shell(block.text, str(block), folder, one_process)
            printed.append((block, last[block.name]))
        elif block.kind == "prints":
            assert matches(block.text, last[block.name]), f"{block}: printed is\n{last[block.name]}"
    return Result(folder, tuple(printed), names)
