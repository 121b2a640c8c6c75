"""Named pipes, devices and links out of the campaign's folder: refused in words, wherever a path can be stated.

A named pipe without a writer would keep the program waiting for ever.
"""

import os
import sys

import pytest
from click.testing import CliRunner

from anechain.cli import commands
from anechain.errors import InputError
from anechain.regular_files import require_regular_file
from anechain.running.prepare import prepare
from anechain.running.raw_files import resolve_files

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="named pipes")

TABLE = "".join(f"{hz:g} {80 - hz / 1000:.3f}\n" for hz in (100, 200, 400, 800, 1600, 3150, 6300))
CAMPAIGN = """\
anechain: 1
title: Pipes
devices:
  oak:
    title: Oak
    responses:
      files: ["raw/*.txt"]
      importer: delimited
      options: {OPTIONS, columns: {frequency: 1, level: 2}}
numbers: {targets: {on_axis: {file: target.txt}}}
"""


@pytest.fixture
def lab(tmp_path):
    folder = tmp_path / "lab"
    (folder / "raw").mkdir(parents=True)
    for angle in (-30, 0, 30):
        (folder / "raw" / f"oak h {angle}.txt").write_text(TABLE)
    (folder / "target.txt").write_text("100 0\n10000 0\n")
    (folder / "campaign.yaml").write_text(CAMPAIGN.replace("OPTIONS", 'pattern: "oak {plane} {angle}.txt"'))
    return folder


def refused(*arguments):
    done = CliRunner().invoke(commands, list(map(str, arguments)))
    assert done.exit_code != 0 and (done.exception is None or isinstance(done.exception, InputError | SystemExit))
    return done.stdout + done.stderr + str(done.exception)


def replace_by_pipe(path):
    path.unlink()
    os.mkfifo(path)
    return path


def test_a_pipe_among_the_raw_files(lab):
    replace_by_pipe(lab / "raw" / "oak h 30.txt")
    assert "raw/oak h 30.txt: cannot be read: it is a named pipe" in refused("check", lab / "campaign.yaml")


def test_a_pipe_in_place_of_the_campaign(lab):
    assert "it is a named pipe" in refused("check", replace_by_pipe(lab / "campaign.yaml"))


def test_a_pipe_in_place_of_a_target(lab):
    replace_by_pipe(lab / "target.txt")
    assert "target.txt" in refused("run", lab / "campaign.yaml")


def test_a_pipe_in_place_of_a_manifest(lab):
    text = CAMPAIGN.replace("OPTIONS", "manifest: raw/list.csv")
    (lab / "campaign.yaml").write_text(text)
    os.mkfifo(lab / "raw" / "list.csv")
    assert "list.csv" in refused("check", lab / "campaign.yaml")


@pytest.mark.parametrize("command", ["identify", "trace", "verify"])
def test_a_pipe_on_the_command_line(tmp_path, command):
    os.mkfifo(tmp_path / "pipe.csv")
    assert "named pipe" in refused(command, tmp_path / "pipe.csv")


def test_a_link_out_of_the_folder_is_named(lab):
    outside = lab.parent / "elsewhere.txt"
    outside.write_text(TABLE)
    link = lab / "raw" / "oak h 60.txt"
    link.symlink_to(outside)
    message = refused("check", lab / "campaign.yaml")
    assert "raw/oak h 60.txt: is a link to a file outside the campaign's folder" in message
    assert "copy the file there" in message
    link.unlink()
    (lab / "kept.txt").write_text(TABLE)
    link.symlink_to(lab / "kept.txt")
    plan = prepare(lab / "campaign.yaml")
    files = resolve_files(lab, plan.campaign.devices["oak"])
    assert link in files["responses"]


def test_kinds_are_named(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path, kind in ((tmp_path / "pipe", "a named pipe"), (tmp_path, "a folder"), (os.devnull, "a device")):
        with pytest.raises(OSError, match=f"it is {kind}, not a regular file"):
            require_regular_file(tmp_path / path)
    with pytest.raises(FileNotFoundError):
        require_regular_file(tmp_path / "absent")
