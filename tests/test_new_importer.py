"""A new importer's package: whole, installable, found, and its own tests pass; and what is refused leaves nothing."""

import os
import subprocess
import sys
import tomllib

import pytest
from click.testing import CliRunner

import anechain.importing.new_importer as module
from anechain.cli import commands
from anechain.errors import InputError
from anechain.importing.new_importer import new_importer


def problems(*arguments):
    with pytest.raises(InputError) as caught:
        new_importer(*arguments)
    return caught.value.problems


@pytest.fixture
def installed(tmp_path):
    """A package just made, installed as a stranger would install it but without the network."""
    made = tmp_path / "made"
    new_importer("lantern_log", made)
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    site = tmp_path / "site"
    subprocess.run(
        [*pip, "--no-deps", "--no-build-isolation", "--no-index", "--target", site, made],
        check=True,
        capture_output=True,
        text=True,
    )
    return made, site


@pytest.mark.proof
def test_it_installs_it_is_listed_and_its_own_tests_pass(installed):
    made, site = installed
    assert {path.name for path in site.iterdir()} == {"anechain_lantern_log", "anechain_lantern_log-0.1.dist-info"}
    environment = {**os.environ, "PYTHONPATH": str(site)}
    listed = subprocess.run(
        [sys.executable, "-m", "anechain", "importers"], env=environment, capture_output=True, text=True, check=True
    )
    assert "lantern_log 1: LanternLog files (from anechain-lantern_log 0.1)" in listed.stdout
    asked = subprocess.run(
        [sys.executable, "-m", "anechain", "identify", made / "tests" / "data" / "hall.lantern_log"],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "lantern_log     1.0  begins with “lantern_log 1”" in asked.stdout
    # Run against what was installed: the tests stand apart from the package.
    tested = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-W", "error", "-p", "no:cacheprovider", "-p", "no:xdist", "tests"],
        cwd=made,
        env=environment,
        capture_output=True,
        text=True,
    )
    assert tested.returncode == 0, tested.stdout + tested.stderr
    assert "23 passed" in tested.stdout and "skipped" not in tested.stdout


def test_what_is_written_keeps_to_the_usual_linters(tmp_path):
    made = tmp_path / "made"
    new_importer("lantern", made)
    # Run in its folder with no settings but its own, as its author would.
    lint = [sys.executable, "-m", "ruff", "--isolated"]
    rules = ["--line-length", "120", "--no-cache"]
    for command in (["check", *rules, "--select", "E,F,I,UP,B,SIM"], ["format", "--check", *rules]):
        done = subprocess.run([*lint, *command], cwd=made, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr


def test_everything_is_named_after_it_and_nothing_is_left_to_fill_in(tmp_path):
    written = new_importer("lantern", tmp_path / "made")
    assert all(path.is_file() for path in written) and len(written) == 6
    project = tomllib.loads((tmp_path / "made" / "pyproject.toml").read_text())["project"]
    assert project["name"] == "anechain-lantern"
    assert project["entry-points"]["anechain.importers"] == {"lantern": "anechain_lantern"}
    for path in written:
        text = path.read_text(encoding="utf-8")
        assert not set("«»") & set(text) and "TODO" not in text
        assert path.suffix != ".py" or compile(text, path, "exec")


def test_two_names_give_the_same_but_for_the_name(tmp_path):
    one, other = new_importer("lantern", tmp_path / "a"), new_importer("compass", tmp_path / "b")
    for first, second in zip(one, other, strict=True):
        assert (
            first.read_text().replace("antern", "ompass").replace("lompass", "compass").replace("Lompass", "Compass")
            == second.read_text()
        )


@pytest.mark.parametrize(
    ("name", "what", "fix"),
    [
        ("", "'' cannot be used", "call it after the instrument"),
        ("Turn-Log", "'Turn-Log' cannot be used", "call it turn_log"),
        ("7th", "'7th' cannot be used", "call it th"),
        ("../up", "'../up' cannot be used", "call it up"),
        ("tür", "'tür' cannot be used", "call it t_r"),
        ("a" * 31, "cannot be used", "call it"),
        ("a\n", "cannot be used", "call it a"),
        ("class", "class is a keyword of Python", "another name"),
        ("match", "match is a keyword of Python", "another name"),
        ("sofa", "sofa is the name of an importer of anechain ", "another name"),
        ("schemas", "anechain_schemas is an existing package", "another name"),
    ],
)
def test_names_that_cannot_be_used(tmp_path, monkeypatch, name, what, fix):
    monkeypatch.chdir(tmp_path)
    (problem,) = problems(name)
    assert what in problem.what and fix in problem.fix and problem.expected
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["folder", "empty folder", "file", "dangling link"])
def test_nothing_is_overwritten(tmp_path, kind):
    target = tmp_path / "here"
    if kind == "file":
        target.write_text("mine")
    elif kind == "dangling link":
        target.symlink_to(tmp_path / "nowhere")
    else:
        target.mkdir()
        if kind == "folder":
            (target / "pyproject.toml").write_text("mine")
    (problem,) = problems("lantern", target)
    assert "is not overwritten" in problem.what
    assert kind != "file" or target.read_text() == "mine"
    assert kind != "folder" or (target / "pyproject.toml").read_text() == "mine"
    assert list(tmp_path.iterdir()) == [target]


def test_all_that_is_wrong_is_said_at_once(tmp_path):
    found = problems("sofa", tmp_path / "no such" / "folder")
    assert [one.where for one in found] == ["name", str(tmp_path / "no such")]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_nothing_half_written_stays(tmp_path, monkeypatch, error):
    def full(self, *arguments, **options):
        if self.name == "README.md":
            raise error
        return kept(self, *arguments, **options)

    kept = module.Path.write_text
    monkeypatch.setattr(module.Path, "write_text", full)
    with pytest.raises((InputError, KeyboardInterrupt)) as caught:
        new_importer("lantern", tmp_path / "made")
    assert list(tmp_path.iterdir()) == []
    assert not isinstance(error, OSError) or "No space left on device" in str(caught.value)


def test_the_command(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(commands, ["new-importer", "lantern"])
    assert done.exit_code == 0 and "anechain-lantern/pyproject.toml" in done.output
    assert (tmp_path / "anechain-lantern" / "anechain_lantern" / "__init__.py").is_file()
    again = CliRunner().invoke(commands, ["new-importer", "lantern"])
    assert isinstance(again.exception, InputError)
