"""Importers: one from outside works like the bundled ones, and a broken one is named and harms no other."""

import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pydantic import Field

import anechain.data.contract
import anechain.importing.identify
import anechain.importing.importers
import anechain.importing.time_limits
import anechain.methods
import physics
from anechain.cli import commands
from anechain.data.store import sha256_file
from anechain.errors import InputError
from anechain.hooks import CERTAIN, LIKELY, NO, POSSIBLE, Description, ImporterHooks, Options, Reading, Verdict
from anechain.importing.identify import choose_importer, collect_verdicts
from anechain.importing.importers import ENTRY_POINT_GROUP, BrokenImporter, find_importers
from anechain.importing.options import describe_options, parse_options
from anechain.importing.read import read
from anechain.running.dependencies import dependencies
from anechain.running.plan import Plan
from anechain.running.prepare import prepare
from anechain.stages.ingest import chosen_sources

FOREIGN = Path(__file__).parent / "foreign_importer"
PROJECT = tomllib.loads((FOREIGN / "pyproject.toml").read_text())["project"]
ROOT = Path(__file__).parent.parent
BUNDLED = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"][ENTRY_POINT_GROUP])

RINGS = """\
rings 1
% on the tall stand
orbit {orbit}
hertz 100 1000 10000
{rows}
"""


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Put a distribution on the path as an installer would: its modules and its metadata, no copying."""
    monkeypatch.syspath_prepend(FOREIGN)
    monkeypatch.syspath_prepend(FOREIGN / "broken")
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    before = set(sys.modules)

    def metadata(name, entries, version="1.0", group=ENTRY_POINT_GROUP):
        site = tmp_path / f"site-{name}"
        folder = site / f"{name.replace('-', '_')}-{version}.dist-info"
        folder.mkdir(parents=True)
        (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
        lines = "".join(f"{entry} = {target}\n" for entry, target in entries.items())
        (folder / "entry_points.txt").write_text(f"[{group}]\n{lines}")
        monkeypatch.syspath_prepend(site)
        return site

    yield metadata
    for name in set(sys.modules) - before:
        if name.split(".")[0].startswith(("broken_", "rings_importer", "anechain_private_")):
            del sys.modules[name]


@pytest.fixture
def rings(install):
    """The foreign distribution, with the entry points its pyproject.toml states."""
    return install(PROJECT["name"], PROJECT["entry-points"][ENTRY_POINT_GROUP], PROJECT["version"])


def ring_file(folder, orbit="horizontal", share=0.7, name=None):
    """One orbit of a first-order source (levels in closed form), 84 dB on the axis."""
    angles = physics.orbit_angles(30)
    level = 84 + physics.level(physics.first_order(share)(angles))
    rows = "\n".join(
        f"{angle:g} {value:.3f} {value:.3f} {value:.3f}" for angle, value in zip(angles, level, strict=True)
    )
    path = folder / (name or f"{orbit}.ring")
    path.write_text(RINGS.format(orbit=orbit, rows=rows))
    return path


def loaded(install, *targets):
    """Importers and broken ones of a distribution whose entry points are named after their targets."""
    install("trial", {target.replace(":", "."): target for target in targets})
    usable, broken = find_importers()
    assert usable.keys() >= BUNDLED, "a broken plugin kept the bundled ones from working"
    return {name: one for name, one in usable.items() if name not in BUNDLED}, {one.name: one for one in broken}


def problems_of(call, *arguments):
    with pytest.raises(InputError) as caught:
        call(*arguments)
    assert "Traceback" not in str(caught.value)
    return caught.value.problems


# A plugin from outside


def test_without_it_only_the_bundled_ones_are_there():
    usable, broken = find_importers()
    assert set(usable) == BUNDLED and broken == []
    assert all(one.origin.startswith("anechain ") for one in usable.values())


def test_a_foreign_importer_is_found_with_its_origin(rings):
    usable, broken = find_importers()
    assert list(usable) == sorted(BUNDLED | {"rings"}) and broken == []
    assert usable["rings"].origin == "rings-importer 2.1"
    assert usable["rings"].description.title == "Ring files" and usable["rings"].description.version == "2.1"


def test_a_foreign_importer_reads_what_the_contract_takes(rings, tmp_path):
    paths = [ring_file(tmp_path, "horizontal", 0.7), ring_file(tmp_path, "vertical", 0.7)]
    usable, broken = find_importers()
    importer = choose_importer(paths, usable, broken, "alder")
    assert importer.name == "rings"
    options = parse_options(importer, {}, "campaign", "", tmp_path)
    reading = read(importer, paths, options, "alder")
    assert reading.report == ("horizontal.ring: 1 remarks dropped", "vertical.ring: 1 remarks dropped")
    dataset = reading.responses.assign_attrs(
        device="alder",
        title="Alder",
        level_kind="relative",
        importer="rings",
        importer_version="2.1",
        import_report="\n".join(reading.report),
        datasets="none",
    )
    anechain.data.contract.validate(anechain.data.contract.describe(dataset, "responses"), "responses", "alder")
    # 20 lg |0.7 + 0.3 cos 180| = 20 lg 0.4
    np.testing.assert_allclose(dataset["level"].sel(angle=180), 84 + 20 * np.log10(0.4), atol=5e-4)


def test_its_own_refusal_is_passed_on_whole(rings, tmp_path):
    paths = [ring_file(tmp_path, "horizontal"), ring_file(tmp_path, "vertical")]
    for path in paths:
        path.write_text(path.read_text().replace(" 10000\n", "\n"))
    importer = find_importers()[0]["rings"]
    problems = problems_of(read, importer, paths, importer.description.options(), "alder")
    assert [one.where for one in problems] == ["horizontal.ring", "vertical.ring"]
    assert "3 levels at -150° for 2 frequencies" in problems[0].what


def test_the_command_line_knows_it_in_a_process_of_its_own(rings, tmp_path):
    path = ring_file(tmp_path)
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(rings), str(FOREIGN)]),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    done = subprocess.run(
        [sys.executable, "-m", "anechain", "identify", str(path)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=1000,
    )
    assert done.returncode == 0, done.stderr
    said = {line.split()[0]: line.split(maxsplit=2)[1:] for line in done.stdout.splitlines()[1:]}
    assert said["rings"] == ["1.0", "begins with “rings 1”"] and set(said) == BUNDLED | {"rings"}


# Broken plugins


@pytest.mark.parametrize(
    ("target", "reason"),
    [
        ("no_such_module_anywhere", "ModuleNotFoundError: No module named 'no_such_module_anywhere'"),
        ("broken_import", "ModuleNotFoundError: No module named 'a_library_that_nobody_has'"),
        (
            "broken_describing:no_such_thing",
            "AttributeError: module 'broken_describing' has no attribute 'no_such_thing'",
        ),
        ("broken_exit", "SystemExit: no licence found"),
        ("broken_empty", "it does not implement anechain_describe, anechain_identify, anechain_read"),
        ("broken_unmarked", "it does not implement anechain_describe, anechain_identify, anechain_read"),
        ("broken_missing_hook", "it does not implement anechain_read"),
        ("broken_spelling", "unknown hook 'anechain_identfy'"),
        ("broken_signature", "Argument(s) {'file'} are declared in the hookimpl but can not be found in the hookspec"),
        ("broken_describing:nothing", "anechain_describe returned NoneType, not a Description"),
        ("broken_describing:words", "anechain_describe returned str, not a Description"),
        ("broken_describing:raising", "anechain_describe failed: RuntimeError: no idea"),
        ("broken_describing:leaving", "anechain_describe failed: SystemExit: 3"),
        ("broken_describing:other_options", "its options are <class 'dict'>, not a subclass of Options"),
    ],
)
def test_a_broken_plugin_is_named_with_the_reason(install, target, reason):
    usable, broken = loaded(install, target, "broken_describing:whole")
    one = broken.pop(target.replace(":", "."))
    assert reason in one.reason and "\n" not in one.reason and one.origin == "trial 1.0"
    assert set(usable) == {"broken_describing.whole"} and not broken


def test_all_broken_ones_are_named_and_the_others_work(install, rings, tmp_path):
    targets = [path.stem for path in sorted((FOREIGN / "broken").glob("*.py"))]
    usable, broken = loaded(install, *targets)
    assert set(usable) == {"rings"} and set(broken) == set(targets)
    assert choose_importer([ring_file(tmp_path)], *find_importers(), "alder").name == "rings"


def test_two_plugins_of_one_name_are_both_refused(install, rings):
    install("other-rings", {"rings": "broken_describing:whole"}, "0.3")
    usable, broken = find_importers()
    assert set(usable) == BUNDLED
    assert broken == [
        BrokenImporter(
            "rings",
            "other-rings 0.3, rings-importer 2.1",
            "several plugins have this name; none of them is used",
        )
    ]


def test_a_name_taken_twice_is_refused_though_one_of_the_two_is_broken(install, rings):
    install("other-rings", {"rings": "broken_import"})
    usable, broken = find_importers()
    assert set(usable) == BUNDLED
    assert [(one.name, one.origin) for one in broken] == [("rings", "other-rings 1.0, rings-importer 2.1")]


def test_a_plugin_cannot_take_a_bundled_name(install):
    install("other-delimited", {"delimited": "broken_describing:whole"})
    usable, broken = find_importers()
    assert "delimited" not in usable and [one.name for one in broken] == ["delimited"]


def test_entry_points_of_other_groups_are_none_of_ours(install):
    install("others", {"rings": "broken_exit"}, group="console_scripts")
    usable, broken = find_importers()
    assert set(usable) == BUNDLED and not broken


# Asking


@pytest.mark.parametrize(
    ("target", "reason"),
    [
        ("identify_raises", "anechain_identify failed: KeyError: 'row 7'"),
        ("identify_leaves", "anechain_identify failed: SystemExit: enough"),
        ("identify_nothing", "anechain_identify returned NoneType, not a Verdict"),
        ("identify_number", "anechain_identify returned float, not a Verdict"),
        ("identify_too_sure", "anechain_identify failed: ValueError: confidence is 1.5, not a number from 0 to 1"),
        ("identify_without_reason", "anechain_identify failed: ValueError: a verdict needs a reason"),
    ],
)
def test_a_failing_answer_is_told_from_a_no(install, rings, tmp_path, target, reason):
    usable, _ = loaded(install, f"broken_answers:{target}")
    name = f"broken_answers.{target}"
    answers = collect_verdicts(ring_file(tmp_path), usable)
    assert answers[name] == BrokenImporter(name, "trial 1.0", reason)
    assert answers["rings"] == Verdict(CERTAIN, "begins with “rings 1”")
    assert choose_importer([ring_file(tmp_path)], usable, [], "alder").name == "rings"


def test_every_importer_is_asked(rings, tmp_path):
    usable, _ = find_importers()
    answers = collect_verdicts(ring_file(tmp_path), usable)
    assert list(answers) == list(usable)
    assert all(isinstance(answer, Verdict) and answer.reason for answer in answers.values())


def test_an_unknown_file_is_refused_with_what_each_said(install, rings, tmp_path):
    usable, _ = loaded(install, "broken_answers:identify_raises", "broken_import")
    _, broken = find_importers()
    path = tmp_path / "junk.bin"
    path.write_bytes(bytes(range(256)) * 8)
    problem, faulty = problems_of(choose_importer, [path], usable, broken, "alder")
    assert problem.where == str(path) and problem.what.startswith("no importer knows this file: ")
    assert "rings: 0.0 (does not begin with “rings 1”)" in problem.what
    assert "broken_answers.identify_raises: failed (anechain_identify failed: KeyError" in problem.what
    assert "importer:" in problem.fix
    assert faulty.where == "importer broken_import" and faulty.what.startswith("cannot be used: ModuleNotFoundError")
    several = problems_of(choose_importer, [path] * 80, usable, broken, "alder")
    assert len([each for each in several if each.where.startswith("importer")]) == 1


def test_no_importer_at_all(tmp_path):
    (problem,) = problems_of(choose_importer, [ring_file(tmp_path)], {}, [], "alder")
    assert "no importer is installed" in problem.what


def test_a_tie_is_refused(install, rings, tmp_path):
    usable, broken = loaded(install, "broken_answers:read_raises")
    (problem,) = problems_of(choose_importer, [ring_file(tmp_path)], usable, broken.values(), "alder")
    assert problem.what == (
        "several importers claim this file with the same confidence: broken_answers.read_raises: 1.0 (all is mine); "
        "rings: 1.0 (begins with “rings 1”)"
    )
    assert problem.fix == "name one with `importer:`"


def test_the_highest_confidence_wins_in_any_order(install, tmp_path):
    usable, _ = loaded(install, "broken_describing:whole", "broken_answers:read_raises")
    assert choose_importer([ring_file(tmp_path)], usable, [], "alder").name == "broken_answers.read_raises"
    assert (
        choose_importer([ring_file(tmp_path)], dict(reversed(usable.items())), [], "a").name
        == "broken_answers.read_raises"
    )


def test_mixed_files_are_refused(install, rings, tmp_path):
    table = tmp_path / "alder hor 0.csv"
    table.write_text("Hz,dB\n" + "".join(f"{f},84\n" for f in (100, 200, 400, 800, 1600)))
    (problem,) = problems_of(choose_importer, [ring_file(tmp_path), table], *find_importers(), "alder")
    assert problem.where == "alder"
    assert (
        problem.what
        == "its files belong to different importers: alder hor 0.csv to delimited, horizontal.ring to rings"
    )


def test_every_file_that_is_a_problem_is_named(rings, tmp_path):
    good, bad = ring_file(tmp_path), [tmp_path / "a.bin", tmp_path / "b.bin"]
    for path in bad:
        path.write_bytes(b"\x00\x01\x02\x03" * 9)
    problems = problems_of(choose_importer, [good, *bad], *find_importers(), "alder")
    assert [one.where for one in problems] == list(map(str, bad))


# Taking too long


@pytest.fixture
def impatient(monkeypatch):
    """Limits that a test can wait for, and nobody given up yet."""
    for module, limit in (
        (anechain.importing.identify, "IDENTIFY_TIMEOUT"),
        (anechain.importing.importers, "LOAD_TIMEOUT"),
    ):
        monkeypatch.setattr(module, limit, 1.0)
    monkeypatch.setattr(anechain.importing.time_limits, "_slow", {})
    monkeypatch.setattr(anechain.importing.identify, "_warned", set())


def test_an_importer_that_hangs_is_named_skipped_and_not_asked_again(impatient, install, rings, tmp_path, caplog):
    usable, _ = loaded(install, "broken_answers:identify_hangs")
    name = "broken_answers.identify_hangs"
    reason = "anechain_identify of horizontal.ring took longer than 1 s; it is not called again"
    path, other = ring_file(tmp_path), ring_file(tmp_path, name="other.ring")
    start = time.monotonic()
    answers = collect_verdicts(path, usable)
    assert 1 <= time.monotonic() - start < 30  # the plugin waits for 60
    assert answers[name] == BrokenImporter(name, "trial 1.0", reason) and answers["rings"].confidence == CERTAIN
    start = time.monotonic()
    assert collect_verdicts(other, usable)[name].reason == reason
    for _ in range(2):
        assert choose_importer([path, other], usable, [], "alder").name == "rings"
    assert time.monotonic() - start < 1
    assert [one.getMessage() for one in caplog.records] == [f"{name} cannot be used: {reason} (from trial 1.0)"]
    # Looked for anew, as for the next device, it is not waited for either.
    again, broken = find_importers()
    assert name not in again and {one.name: one.reason for one in broken} == {name: reason}


def test_an_import_that_hangs_is_given_up(impatient, install, rings, tmp_path, monkeypatch):
    (tmp_path / "sleeping").mkdir()
    (tmp_path / "sleeping" / "broken_sleeping.py").write_text("import threading\nthreading.Event().wait(60)\n")
    monkeypatch.syspath_prepend(tmp_path / "sleeping")
    usable, broken = loaded(install, "broken_sleeping")
    assert set(usable) == {"rings"}
    assert broken["broken_sleeping"].reason == "its import took longer than 1 s; it is not called again"
    assert find_importers()[1] == list(broken.values())


def test_a_description_that_hangs_is_given_up(impatient, install, rings):
    usable, broken = loaded(install, "broken_describing:hanging")
    assert set(usable) == {"rings"}
    assert broken["broken_describing.hanging"].reason.startswith("anechain_describe took longer than 1 s")


def test_what_hangs_does_not_keep_the_program_from_ending(install, rings, tmp_path):
    site = install("trial", {"hanging": "broken_answers:identify_hangs"})
    code = f"""
import sys
import anechain.importing.identify as identify
identify.IDENTIFY_TIMEOUT = 1.0
sys.argv = ["anechain", "identify", {str(ring_file(tmp_path))!r}]
from anechain.cli import main
main()
"""
    paths = (site, tmp_path / f"site-{PROJECT['name']}", FOREIGN, FOREIGN / "broken")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, paths)), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=1000)
    assert done.returncode == 0, done.stderr
    assert "hanging      failed  anechain_identify of horizontal.ring took longer than 1 s" in done.stdout
    assert "rings           1.0  begins with" in done.stdout and "Traceback" not in done.stderr


def test_an_interrupt_is_no_answer(install, rings, tmp_path):
    usable, _ = loaded(install, "broken_answers:identify_interrupts")
    with pytest.raises(KeyboardInterrupt):
        collect_verdicts(ring_file(tmp_path), usable)


def test_a_plugin_is_asked_under_the_versions_of_methods_that_were_chosen(install, rings, tmp_path, monkeypatch):
    seen = {}

    def look():
        seen.update(anechain.methods.versions(("level-reference",)))
        return Verdict(NO, "looked")

    usable, _ = loaded(install, "broken_answers:identify_number")
    plugin = usable["broken_answers.identify_number"].hooks.get_plugins().pop()
    monkeypatch.setattr(plugin, "identify", look)
    token = anechain.methods._chosen.set({"level-reference": 99})
    try:
        collect_verdicts(ring_file(tmp_path), usable)
    finally:
        anechain.methods._chosen.reset(token)
    assert seen == {"level-reference": 99}


# Options


def test_options_are_checked_with_the_nearest_right_key(rings, tmp_path):
    importer = find_importers()[0]["rings"]
    problems = problems_of(
        parse_options, importer, {"turnd": "left", "turned": "round"}, "campaign.yaml", "x.", tmp_path
    )
    assert [(one.where, one.what, one.fix) for one in problems] == [
        ("campaign.yaml", "x.turned is 'round'", "correct it"),
        ("campaign.yaml", "x.turnd: unknown key", "did you mean turned?"),
    ]
    assert problems[0].expected == "'left' or 'right' (side of positive horizontal angles)"


def test_paths_in_options_start_at_the_campaign(rings, tmp_path, monkeypatch):
    monkeypatch.chdir("/")
    importer = find_importers()[0]["rings"]
    (problem,) = problems_of(parse_options, importer, {"correction": "raw/offset.txt"}, "campaign", "o.", tmp_path)
    assert problem.what == "o.correction is 'raw/offset.txt', but there is no such file"
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "offset.txt").write_text("0 dB")
    options = parse_options(importer, {"correction": "raw/offset.txt"}, "campaign", "", tmp_path)
    assert options.correction == tmp_path / "raw" / "offset.txt" and options.companion_files() == (options.correction,)
    assert parse_options(importer, {"correction": None}, "campaign", "", tmp_path).correction is None


@pytest.mark.parametrize("path", ["../offset.txt", "/offset.txt", "raw/../../offset.txt"])
def test_paths_in_options_do_not_leave_the_campaign(rings, tmp_path, path):
    importer = find_importers()[0]["rings"]
    problems = problems_of(parse_options, importer, {"correction": path, "x": 1}, "campaign", "o.", tmp_path)
    assert [one.what for one in problems] == [f"o.correction is {path!r}", "o.x: unknown key"]


def test_an_option_of_another_kind_than_a_path(rings, tmp_path):
    importer = find_importers()[0]["rings"]
    (problem,) = problems_of(parse_options, importer, {"correction": 5}, "campaign", "", tmp_path)
    assert problem.what == "correction is 5" and problem.expected.startswith("a path")


@pytest.mark.parametrize(
    ("name", "options", "what", "allowed"),
    [
        ("sofa", {"reference_axis": "x"}, "reference_axis is 'x'", "or three numbers"),
        ("sofa", {"up": [0, 0]}, "up is [0, 0]", "in the form of reference_axis"),
        (
            "delimited",
            {"columns": {"frequency": [], "level": 2}},
            "columns.frequency is []",
            "column of the frequency: number, from 1, or",
        ),
    ],
)
def test_this_or_that_is_one_problem(tmp_path, name, options, what, allowed):
    importer = find_importers()[0][name]
    (problem,) = problems_of(parse_options, importer, options, "campaign", "", tmp_path)
    assert problem.what == what and allowed in problem.expected


def test_options_cannot_be_changed_afterwards():
    with pytest.raises(ValueError, match="frozen"):
        Options().companions = ()
    assert Options().companion_files() == ()


# Reading


@pytest.mark.parametrize(
    ("target", "where", "what"),
    [
        ("read_raises", "alder", "importer broken_answers.read_raises failed: KeyError: 'row 7'"),
        ("read_leaves", "alder", "importer broken_answers.read_leaves failed: SystemExit: enough"),
        ("read_nothing", "alder", "importer broken_answers.read_nothing returned NoneType, not a Reading"),
        ("read_words", "alder", "importer broken_answers.read_words returned str, not a Reading"),
        ("read_unreadable", "raw/alder.ring", "cannot be read: Permission denied"),
    ],
)
def test_a_reader_that_fails(install, tmp_path, target, where, what):
    usable, _ = loaded(install, f"broken_answers:{target}")
    (problem,) = problems_of(read, usable[f"broken_answers.{target}"], [tmp_path], Options(), "alder")
    assert (problem.where, problem.what) == (where, what)
    assert target == "read_unreadable" or problem.fix.endswith(f"authors of broken_answers.{target} (trial 1.0)")


def test_the_hooks_say_what_they_want():
    for name in ("anechain_describe", "anechain_identify", "anechain_read"):
        hook = getattr(ImporterHooks, name)
        assert hook.__doc__ and hook.__annotations__["return"]
        with pytest.raises(NotImplementedError):
            hook(*[None] * hook.__code__.co_argcount)
    assert NO < POSSIBLE < LIKELY < CERTAIN
    assert Reading().responses is None and Description("a", "b", "1").options is Options


@pytest.mark.parametrize("confidence", [-0.1, 1.1, float("nan")])
def test_a_verdict_has_a_confidence(confidence):
    with pytest.raises(ValueError, match="from 0 to 1"):
        Verdict(confidence, "a reason")


# Private importers


PRIVATE = '''
"""A private importer as a lab would write it: annotations as text, options, a dataclass."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

from anechain.hooks import CERTAIN, NO, Description, Options, Reading, Verdict, hookimpl

(Path(__file__).parent / "ran").touch()


@dataclass
class Row:
    known: ClassVar[int] = 1
    angle: float = 0.0


class HallOptions(Options):
    side: Literal["left", "right"] = "left"


@hookimpl
def anechain_describe() -> Description:
    return Description("Hall files", "nothing yet", "1", HallOptions)


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    return Verdict(CERTAIN if path.suffix == ".hall" else NO, "its name")


@hookimpl
def anechain_read(paths, options):
    return Reading()
'''


@pytest.fixture
def private(install, tmp_path):
    folder = tmp_path / "campaign"
    folder.mkdir()
    (folder / "halls.py").write_text(PRIVATE)
    (folder / "campaign.yaml").write_text(
        "anechain: 1\ntitle: Halls\nimporters: [halls.py]\n"
        "devices: {alder: {title: Alder, responses: {files: [a.hall]}}}\n"
    )
    return folder / "halls.py"


def test_a_private_importer_works_like_any_other(private, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    usable, broken = find_importers([private])
    assert set(usable) == BUNDLED | {"halls"} and broken == []
    assert usable["halls"].origin == "halls.py"
    assert parse_options(usable["halls"], {"side": "right"}, "c", "", private.parent).side == "right"
    assert not list(private.parent.rglob("__pycache__")) and sys.dont_write_bytecode is False


def test_it_is_not_run_without_consent(private):
    campaign = private.parent / "campaign.yaml"
    (problem,) = problems_of(prepare, campaign)
    assert problem.where == "importers" and "halls.py" in problem.what and "--trust-importers" in problem.fix
    plan = Plan(private.parent, anechain.campaign.load.load_campaign(campaign))
    problems_of(plan.private_importers)
    assert "halls" not in plan.importer_versions
    dependencies(plan, "ingest", "0001")
    assert not (private.parent / "ran").exists() and not (private.parent / "results").exists()


def test_it_is_run_with_consent(private):
    plan = prepare(private.parent / "campaign.yaml", trust_importers=True)
    assert plan.private_importers() == [private]
    assert plan.importer_versions["halls"] == ["1", sha256_file(private), {}] and (private.parent / "ran").exists()


def test_a_campaign_without_private_importers_asks_for_no_consent(private):
    campaign = private.parent / "campaign.yaml"
    campaign.write_text(campaign.read_text().replace("importers: [halls.py]\n", ""))
    assert prepare(campaign).private_importers() == []


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (None, "FileNotFoundError"),
        ("def (", "SyntaxError: invalid syntax (halls.py, line 1)"),
        ("import a_library_that_nobody_has", "ModuleNotFoundError"),
        ("raise SystemExit", "SystemExit"),
        ("1 / 0", "ZeroDivisionError: division by zero"),
        ("", "it does not implement"),
        ("\0", "source code string cannot contain null bytes"),
    ],
)
def test_a_private_importer_that_is_broken(private, content, reason):
    private.unlink()
    if content is not None:
        private.write_text(content)
    usable, broken = find_importers([private])
    assert set(usable) == BUNDLED
    (one,) = broken
    assert one.name == "halls" and one.origin == "halls.py" and reason in one.reason
    assert not list(private.parent.rglob("__pycache__"))


def test_a_private_importer_that_is_no_python_file(private):
    (one,) = find_importers([private.with_name("campaign.yaml")])[1]
    assert one.reason == "ImportError: not a Python file"


@pytest.mark.parametrize("content", ["1 / 0", PRIVATE.replace("HallOptions)", "HallOptions, interface=2)")])
def test_a_broken_private_importer_is_named_first_whoever_claims_the_file(private, content):
    """Though another importer would read the file."""
    private.write_text(content)
    campaign = private.parent / "campaign.yaml"
    campaign.write_text(campaign.read_text().replace("a.hall", "a.csv"))
    (private.parent / "a.csv").write_text("Hz,H0,H10\n100,80,80\n200,81,81\n")
    plan = prepare(campaign, trust_importers=True)
    (problem,) = problems_of(chosen_sources, plan, "alder")
    reason = "ZeroDivisionError" if content == "1 / 0" else "version 2 of the interface of importers"
    assert problem.where == "halls.py" and "private importer cannot be used" in problem.what and reason in problem.what
    assert "--private halls.py --traceback" in problem.fix


def test_commands_take_private_importers(private):
    (private.parent / "a.hall").write_text("x")
    done = CliRunner().invoke(commands, ["identify", "--private", str(private), str(private.parent / "a.hall")])
    assert done.exit_code == 0 and "halls           1.0  its name" in done.stdout
    done = CliRunner().invoke(commands, ["importers", "--private", str(private), "halls"])
    assert done.exit_code == 0 and done.stdout.startswith("halls 1: Hall files (from halls.py)")
    private.write_text("1 / 0")
    done = CliRunner().invoke(commands, ["importers", "--private", str(private), "--traceback", "uff"])
    assert "halls cannot be used: ZeroDivisionError" in done.stderr and "line 1" in done.stderr
    private.write_text(PRIVATE.replace("return Verdict(CERTAIN if", "return Verdict(1 / 0 if"))
    done = CliRunner().invoke(
        commands, ["identify", "--private", str(private), "--traceback", str(private.parent / "a.hall")]
    )
    assert "halls        failed" in done.stdout and "ZeroDivisionError" in done.stderr and "Traceback" in done.stderr


def test_private_importers_of_one_name_are_refused(private, rings):
    other = private.parent / "more" / "halls.py"
    other.parent.mkdir()
    other.write_text(PRIVATE)
    clash = private.with_name("rings.py")
    clash.write_text(PRIVATE)
    usable, broken = find_importers([private, other, clash])
    assert set(usable) == BUNDLED
    assert [(one.name, one.origin) for one in broken] == [
        ("halls", "halls.py, halls.py"),
        ("rings", "rings-importer 2.1, rings.py"),
    ]


def test_a_broken_private_importer_leaves_nothing_behind(private):
    private.write_text("half = 1\nraise RuntimeError(half)")
    find_importers([private])
    assert "anechain_private_halls" not in sys.modules


# Telling options


def test_keys_of_options_are_told_with_their_defaults():
    class Inner(Options):
        after: float = Field(description="milliseconds")
        before: float = Field(default=1.0, description="milliseconds too")

    class Outer(Options):
        window: Inner | None = Field(default=None, description="time window")
        word: str = Field(default="x", description="a word")

    assert list(describe_options(Outer)) == [
        "window: time window [default none]",
        "    after: milliseconds [required]",
        "    before: milliseconds too [default 1.0]",
        "word: a word [default 'x']",
    ]


def test_the_command_lists_the_ones_named():
    done = CliRunner().invoke(commands, ["importers", "columns"])
    assert done.exit_code == 0 and done.stdout.startswith("columns ") and "\ncapture " not in done.stdout
    assert "for the sources: impedance, harmonics" in done.stdout
    assert "there is no such importer" in str(CliRunner().invoke(commands, ["importers", "none"]).exception)


def test_a_value_where_keys_belong_is_told_which(tmp_path):
    capture = find_importers()[0]["capture"]
    with pytest.raises(InputError, match="shape"):
        parse_options(capture, {"window": 6}, "campaign", "options.", tmp_path)
