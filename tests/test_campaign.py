"""The campaign file: everything a person can get wrong in it is said in words, all of it at once."""

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import anechain_schemas
from anechain.campaign.file import Campaign, json_schema
from anechain.campaign.load import load_campaign
from anechain.errors import InputError

SCHEMA = "campaign.schema.json"

WHOLE = """\
anechain: 1
title: Small halls, first year
about: Loudspeakers for halls of up to 150 seats
licence: CC-BY-4.0
people:
  - {name: The workshop, orcid: 0000-0000-0000-0000, role: measuring}
importers: [readers/rings.py]
devices:
  alder-5:
    title: Alder 5
    kind: two-way
    about: On its stand
    listening:
      - {text: Calm and even, who: The workshop, when: in spring, room: the hall, programme: speech}
    responses:
      files: ["raw/alder/*.ring"]
      importer: rings
      options: {nested: {deep: [1, 2.5, true, null, word]}}
    setup:
      level_kind: spl
      distance: 2
      drive: 2.83
      reference_axis: between both drivers
      environment: gated, in the hall
      valid_band: [200, 20000]
      microphone: number 3, calibrated
      temperature: 20.5
      pressure: 101.3
      humidity: 45
derivation: {early_reflections_total: curves, rear_wall: all, smoothing: null, interpolate_angles: true}
figures: {formats: [svg]}
batch_size: 4
"""

SMALL = """\
anechain: 1
title: Halls
devices:
  alder:
    title: Alder
    responses: {files: [alder.ring]}
"""


@pytest.fixture
def file(tmp_path):
    return tmp_path / "campaign.yaml"


def load(file, text):
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_campaign(file)


def refused(file, text):
    with pytest.raises(InputError) as caught:
        load(file, text)
    assert all(problem.where == str(file) for problem in caught.value.problems)
    return caught.value.problems


def the_problem(file, text):
    (problem,) = refused(file, text)
    return problem


def with_device(*lines):
    return SMALL + "".join(f"    {line}\n" for line in lines)


def with_id(identifier):
    return SMALL.replace("  alder:", f"  {json.dumps(identifier)}:")


# What is right


def test_a_whole_campaign_is_read(file):
    campaign = load(file, WHOLE)
    alder = campaign.devices["alder-5"]
    assert alder.responses.options == {"nested": {"deep": [1, 2.5, True, None, "word"]}}
    assert alder.setup.valid_band == (200.0, 20_000.0) and alder.listening[0].room == "the hall"
    assert campaign.derivation.smoothing is None and campaign.figures.formats == ("svg",)
    assert Campaign.model_validate(json.loads(json.dumps(campaign.model_dump(mode="json")))) == campaign


def test_what_is_left_out_has_the_defaults_of_the_schema(file):
    campaign = load(file, SMALL)
    assert campaign.derivation.model_dump() == {
        "early_reflections_total": "reflection_groups",
        "rear_wall": "three",
        "smoothing": 20,
        "interpolate_angles": False,
    }
    assert campaign.figures.formats == ("svg", "png", "pdf") and campaign.batch_size is None


@pytest.mark.parametrize("title", ["no", "yes", "on", "off", "No", "y"])
def test_yaml_1_2_has_two_booleans_only(file, title):
    assert load(file, SMALL.replace("title: Alder", f"title: {title}")).devices["alder"].title == title


def test_no_as_a_device_id(file):
    assert list(load(file, SMALL.replace("  alder:", "  no:")).devices) == ["no"]


def test_anchors_aliases_and_merges(file):
    text = SMALL.replace("  alder:", "  alder: &alder") + "    setup: &setup {distance: 2}\n"
    text += "  birch: *alder\n  cedar:\n    <<: *alder\n    title: Cedar\n    setup: *setup\n"
    devices = load(file, text).devices
    assert devices["birch"] == devices["alder"] and devices["cedar"].title == "Cedar"
    assert devices["cedar"].setup.distance == 2


def test_a_byte_order_mark_and_windows_line_ends(file):
    assert load(file, SMALL.replace("\n", "\r\n").encode("utf-8-sig")).title == "Halls"


# Files that are no campaign


@pytest.mark.parametrize("text", ["", "  \n\n", "# nothing yet\n", "- alder\n- birch\n", "alder", "5", "null"])
def test_no_keys(file, text):
    problem = the_problem(file, text)
    assert problem.what == "has no keys" and "title, devices" in problem.expected and problem.fix


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        (SMALL + "title: Again\n", 7, 'duplicate key "title"'),
        (SMALL + "  alder:\n    title: Again\n", 7, 'duplicate key "alder"'),
        (with_device("setup: {drive: 2, drive: 3}"), 7, 'duplicate key "drive"'),
        (SMALL.replace("  alder", "\talder"), 4, "'\\t'"),
        (SMALL + "---\n" + SMALL, 7, "another document"),
        (SMALL + "about: *nothing\n", 7, "undefined alias 'nothing'"),
        (SMALL + "about: [1, 2\n", 8, "expected"),
        (SMALL.replace("Halls", "'Halls"), None, "while scanning"),
        (SMALL + "batch_size: !!int abc\n", 7, "'abc' cannot be read as int"),
        (SMALL + "batch_size: !!float abc\n", 7, "'abc' cannot be read as float"),
        (SMALL + "batch_size: !!bool maybe\n", 7, "'maybe' cannot be read as bool"),
        (SMALL + f"batch_size: {'9' * 5000}\n", 7, "cannot be read as int"),
    ],
)
def test_broken_yaml_is_refused_with_its_line(file, text, line, said):
    problem = the_problem(file, text)
    if line is None:
        assert problem.what.startswith("line ")
    else:
        assert problem.what.startswith(f"line {line}: ") and said in problem.what
    assert problem.expected == "YAML" and problem.fix


@pytest.mark.parametrize("date", ["2024-02-03", "2024-02-30", "2024-02-03 10:20:30", "2024-02-03T10:20:30Z"])
def test_a_date_is_kept_as_it_is_written(file, date):
    file.write_text(with_device(f"listening: [{{text: Calm, when: {date}}}]"))
    assert load_campaign(file).devices["alder"].listening[0].when == date


def test_whole_numbers_as_keys_are_texts(file):
    file.write_text(SMALL.replace("  alder:", "  1:").replace("Alder", "First"))
    assert load_campaign(file).devices["1"].title == "First"
    options = "responses: {files: [a.wav], options: {drives: {1: 2.83, 2: {3: 4}}}}"
    file.write_text(SMALL.replace(SMALL[SMALL.index("    responses") :], f"    {options}\n"))
    assert load_campaign(file).devices["alder"].responses.options == {"drives": {"1": 2.83, "2": {"3": 4}}}


def test_a_link_to_itself(file):
    file.symlink_to(file)
    with pytest.raises(InputError, match=r"cannot be read: Too many levels of symbolic links"):
        load_campaign(file)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-32", "latin-1"])
def test_other_encodings(file, encoding):
    problem = the_problem(file, SMALL.replace("Halls", "Säle").encode(encoding))
    assert problem.what.endswith("is not UTF-8") and problem.fix == "save it again in UTF-8"


def test_files_that_are_not_there(tmp_path):
    (tmp_path / "file").touch()
    for path, what in (
        ("absent.yaml", "there is no such file"),
        (".", "is a folder"),
        ("file/campaign.yaml", "cannot be read: Not a directory"),
    ):
        with pytest.raises(InputError) as caught:
            load_campaign(tmp_path / path)
        (problem,) = caught.value.problems
        assert problem.what == what and problem.fix


@pytest.mark.parametrize(
    "value",
    [
        "!!python/object/apply:os.system ['touch {}']",
        "!!python/object/apply:pathlib.Path.touch [!!python/object/apply:pathlib.Path ['{}']]",
        "!!python/name:os.system",
        "!!python/object/new:subprocess.Popen [['touch', '{}']]",
        "!secret word",
    ],
)
@pytest.mark.parametrize("place", ["title: Halls", "title: Alder", None])
def test_tags_are_refused_and_run_nothing(file, tmp_path, value, place):
    value = value.format(tmp_path / "ran")
    text = SMALL.replace(place, f"title: {value}") if place else value + "\n"
    problem = the_problem(file, text)
    assert "could not determine a constructor for the tag" in problem.what
    assert not (tmp_path / "ran").exists() and "subprocess" not in problem.what.split("tag")[0]


def bomb(levels=9):
    lines = ["a0: &a0 [" + ", ".join(["x"] * 9) + "]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, levels + 1)]
    return lines


@pytest.mark.parametrize(
    "text",
    [
        "\n".join(bomb()),
        "\n".join(bomb()) + "\n" + SMALL.replace("title: Halls", "title: *a9"),
        "\n".join(bomb()) + "\n" + SMALL.replace("[alder.ring]", "*a9"),
        SMALL.replace("[alder.ring]}", "[a], options: {" + ", ".join(bomb()) + "}}"),
        "a0: &a0 {a: 1}\n" + "".join(f"a{n}: &a{n} {{<<: [{', '.join([f'*a{n - 1}'] * 9)}]}}\n" for n in range(1, 9)),
    ],
)
def test_aliases_of_aliases_do_not_hang(file, text):
    start = time.perf_counter()
    problem = the_problem(file, text)
    assert time.perf_counter() - start < 2
    assert "aliases contain aliases" in problem.what and problem.fix


@pytest.mark.parametrize("text", ["a: &a [*a]\n", "a: &a {b: {c: *a}}\n"])
def test_a_value_that_contains_itself(file, text):
    assert the_problem(file, SMALL + text).what == "line 7: a value contains itself"


def test_what_is_nested_too_deep(file):
    assert the_problem(file, SMALL + "about: " + "[" * 2000 + "]" * 2000 + "\n").what == "is nested too deeply"


def test_a_file_that_is_too_long(file):
    start = time.perf_counter()
    problem = the_problem(file, SMALL + "about: " + "x" * 8_000_000)
    assert problem.expected == "at most 8000000" and time.perf_counter() - start < 2


# Keys and values


@pytest.mark.parametrize(
    ("text", "key", "fix"),
    [
        (SMALL + "licens: MIT\n", "licens", "did you mean licence?"),
        (SMALL + "Title: Halls\n", "Title", "did you mean title?"),
        (SMALL + "people: [{nam: A, name: A}]\n", "people.0.nam", "did you mean name?"),
        (SMALL + "derivation: {smooting: 6}\n", "derivation.smooting", "did you mean smoothing?"),
        (SMALL + "derivation: {early: curves}\n", "derivation.early", "did you mean early_reflections_total?"),
        (SMALL + "figures: {format: [svg]}\n", "figures.format", "did you mean formats?"),
        (with_device("titel: x"), "devices.alder.titel", "did you mean title?"),
        (with_device("setup: {distanse: 2}"), "devices.alder.setup.distanse", "did you mean distance?"),
        (with_device("listening: [{text: x, rom: y}]"), "devices.alder.listening.0.rom", "did you mean room?"),
        (SMALL.replace("{files", "{fils: [a], files"), "devices.alder.responses.fils", "did you mean files?"),
        (SMALL + "zzz: 1\n", "zzz", "remove it"),
    ],
)
def test_a_typo_at_every_level(file, text, key, fix):
    problem = the_problem(file, text)
    assert problem.what == f"{key}: unknown key" and problem.fix == fix
    assert fix == "remove it" or fix.removeprefix("did you mean ").removesuffix("?") in problem.expected


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (SMALL + "1.5: x\n", "the file: key 1.5 is not text"),
        (SMALL.replace("  alder:", "  true:"), "devices: key True is not text"),
        (SMALL.replace("  alder:", "  1.5:"), "devices: key 1.5 is not text"),
        (SMALL.replace("  alder:", "  null:"), "devices: key None is not text"),
        (with_device("setup: {true: x}"), "devices.alder.setup: key True is not text"),
    ],
)
def test_a_key_that_is_not_text(file, text, what):
    problem = the_problem(file, text)
    assert problem.what == what and problem.fix == "put it in quotes"


@pytest.mark.parametrize(
    ("text", "what", "allowed"),
    [
        (SMALL.replace("anechain: 1", "anechain: 2"), "anechain is 2", "1 (Version"),
        (SMALL.replace("title: Halls", "title: 2024"), "title is 2024", "text (Title in print)"),
        (SMALL.replace("title: Halls", "title: '  '"), "title is '  '", "at least 1 character"),
        (SMALL.replace("title: Alder", 'title: "Al\\nder"'), "devices.alder.title is 'Al\\nder'", "one line"),
        (SMALL.replace("title: Alder", 'title: "Al\\x07"'), "devices.alder.title is 'Al\\x07'", "control characters"),
        (SMALL.replace("title: Alder\n", "title:\n"), "devices.alder.title is None", "text (Name in print)"),
        (SMALL.split("  alder")[0], "devices is None", "keys with values (Devices by id)"),
        (SMALL.split("devices")[0] + "devices: {}\n", "devices is {}", "at least 1 entry (Devices by id)"),
        (SMALL.split("devices")[0] + "devices: alder\n", "devices is 'alder'", "keys with values"),
        (SMALL.split("devices")[0] + "devices: [alder, Birch]\n", "devices is ['alder', 'Birch']", "keys with values"),
        (SMALL.split("devices")[0] + "devices: 5\n", "devices is 5", "keys with values"),
        (SMALL.split("    title")[0], "devices.alder is None", "keys with values"),
        (SMALL.replace("[alder.ring]", "alder.ring"), "devices.alder.responses.files is 'alder.ring'", "a list"),
        (SMALL.replace("[alder.ring]", "[]"), "devices.alder.responses.files is []", "at least 1 entry"),
        (SMALL.replace("[alder.ring]", "[1]"), "devices.alder.responses.files.0 is 1", "text"),
        (with_device("setup: 5"), "devices.alder.setup is 5", "keys with values"),
        (with_device("setup: {level_kind: SPL}"), "devices.alder.setup.level_kind is 'SPL'", "'spl' or 'relative'"),
        (with_device("setup: {distance: '2'}"), "devices.alder.setup.distance is '2'", "a number (Distance"),
        (
            with_device("setup: {distance: true}"),
            "devices.alder.setup.distance is True",
            "a number (Distance",
        ),
        (with_device("setup: {distance: 0}"), "devices.alder.setup.distance is 0", "greater than 0"),
        (with_device("setup: {drive: .inf}"), "devices.alder.setup.drive is inf", "a finite number"),
        (with_device("setup: {temperature: .nan}"), "devices.alder.setup.temperature is nan", "a finite number"),
        (with_device("setup: {humidity: 101}"), "devices.alder.setup.humidity is 101", "less than or equal to 100"),
        (with_device("setup: {valid_band: 100}"), "devices.alder.setup.valid_band is 100", "a list"),
        (SMALL + "people: [{name: A, orcid: '1'}]\n", "people.0.orcid is '1'", "ORCID, as 0000"),
        (SMALL + "derivation: {smoothing: 0}\n", "derivation.smoothing is 0", "greater than 0"),
        (SMALL + "derivation: {rear_wall: four}\n", "derivation.rear_wall is 'four'", "'three' or 'all'"),
        (SMALL + "figures: {formats: [gif]}\n", "figures.formats.0 is 'gif'", "'svg', 'png' or 'pdf'"),
        (SMALL + "batch_size: 0\n", "batch_size is 0", "greater than or equal to 1"),
        (SMALL + "batch_size: 1.5\n", "batch_size is 1.5", "a whole number"),
    ],
)
def test_a_wrong_value(file, text, what, allowed):
    problem = the_problem(file, text)
    assert problem.what == what and allowed in problem.expected and problem.fix


@pytest.mark.parametrize(
    ("text", "what", "allowed"),
    [
        ("title: x\ndevices: {a: {title: x, responses: {files: [a]}}}\n", "anechain", "Version of this file's format"),
        (SMALL.replace("title: Halls\n", ""), "title", "Title in print"),
        (SMALL.split("devices")[0], "devices", "Devices by id"),
        (SMALL.replace("    title: Alder\n", ""), "devices.alder.title", "Name in print"),
        (SMALL.replace("files: [alder.ring]", ""), "devices.alder.responses.files", "Files or globs"),
    ],
)
def test_what_is_absent(file, text, what, allowed):
    problem = the_problem(file, text)
    assert problem.what == f"{what} is absent" and problem.expected.startswith(allowed) and problem.fix == "add it"


@pytest.mark.parametrize("value", [".nan", "[1, -.inf]", "9007199254740992", "!!binary /w==", "{true: 2}", "!!set {b}"])
def test_options_that_no_receipt_can_hold(file, value):
    problem = the_problem(file, SMALL.replace("[alder.ring]", f"[a], options: {{x: {value}}}"))
    assert problem.what.startswith("devices.alder.responses.options.x is ") and "finite numbers" in problem.expected


# Device ids, which name folders


UNSAFE = [
    *("", ".", "..", "/", "a/b", "../alder", "a\\b", "\\", ".alder", "~", "alder ", " alder", "al der", "a:b", "a*"),
    *("Alder", "ALDER", "-alder", "alder-", "_a", "a_", "a.b", "a\x00b", "a\nb", "alder\n", "\x1b[2J", "a\x7f"),
    *("comparison", "figures", "report", "manifests", "con", "prn", "aux", "nul", "CON"),
    "\u0430lder",  # Cyrillic a
    "\uff41lder",  # full-width a
    "a\u200blder",  # zero width space
    "a\u0300",  # combining accent
    "\u0661\u0662",  # Arabic-Indic digits, which are decimal digits to Python
    "a" * 65,
]


@pytest.mark.parametrize("identifier", UNSAFE)
def test_an_id_that_is_not_safe_as_a_folder_name(file, identifier):
    problem = the_problem(file, with_id(identifier))
    assert problem.what == f"devices: {identifier!r} is not safe as a folder name"
    assert "at most 64" in problem.expected and "comparison" in problem.expected and "title" in problem.fix


@pytest.mark.parametrize("identifier", ["a", "7", "alder-5", "a_b", "a" * 64, "5-0", "report-2"])
def test_a_safe_id(file, identifier):
    assert list(load(file, with_id(identifier)).devices) == [identifier]


@given(st.text(max_size=70))
def test_no_id_leaves_the_results_folder(tmp_path_factory, identifier):
    file = tmp_path_factory.getbasetemp() / "ids.yaml"
    try:
        load(file, with_id(identifier))
    except InputError:
        return
    results = Path("/results")
    assert (
        (results / identifier).resolve().parent == results and identifier.isascii() and identifier == identifier.lower()
    )


def test_an_id_may_not_be_shown_at_any_length(file):
    assert len(the_problem(file, with_id("b" * 5000)).what) < 150


# Paths


@pytest.mark.parametrize("path", ["/raw/a.ring", "../a.ring", "raw/../../a", "raw/..", "", " ", "a\x00b", "a\nb"])
def test_paths_that_leave_the_campaign(file, path):
    quoted = json.dumps(path)
    problem = the_problem(file, SMALL.replace("[alder.ring]", f"[{quoted}]"))
    assert problem.what.startswith("devices.alder.responses.files.0 is ") and "inside the campaign" in problem.expected
    assert the_problem(file, SMALL + f"importers: [{quoted}]\n").what.startswith("importers.0 is ")


@pytest.mark.parametrize("path", ["raw/..a.ring", "raw/a..ring", "./a.ring", "raw/**/*.ring", "Größe 1 [2].ring"])
def test_paths_inside(file, path):
    assert load(file, SMALL.replace("[alder.ring]", f"[{json.dumps(path)}]")).devices["alder"].responses.files == (
        path,
    )


# Setup


@pytest.mark.parametrize("band", ["[200, 100]", "[200, 200]", "[1.0e+3, 30]"])
def test_a_band_that_does_not_rise(file, band):
    problem = the_problem(file, with_device(f"setup: {{valid_band: {band}}}"))
    assert problem.what.startswith("devices.alder.setup.valid_band is ") and problem.expected == "a rising band"


@pytest.mark.parametrize("band", ["[200]", "[]", "[1, 2, 3]", "[a, 3]", "[-1, 3]", "[.nan, 3]"])
def test_a_band_of_another_kind(file, band):
    problems = refused(file, with_device(f"setup: {{valid_band: {band}}}"))
    assert all(problem.what.startswith("devices.alder.setup.valid_band") for problem in problems)


@pytest.mark.parametrize(
    ("given", "absent"), [("", ["distance", "drive"]), ("distance: 1, ", ["drive"]), ("drive: 1, ", ["distance"])]
)
def test_an_absolute_level_without_its_reference(file, given, absent):
    problems = refused(file, with_device(f"setup: {{{given}level_kind: spl}}"))
    assert [one.what for one in problems] == [
        f"devices.alder.setup.{name} is absent, but level_kind is spl" for name in absent
    ]
    load(file, with_device(f"setup: {{{given}level_kind: relative}}"))


def test_everything_wrong_is_said_at_once(file):
    text = """\
anechain: 3
titel: Halls
devices:
  Alder:
    title: Alder
    responses: {files: [/alder.ring], importr: rings}
    setup: {level_kind: spl, distance: -1, valid_band: [9, 1]}
  birch:
    responses: {files: []}
    setup: {humidity: wet, level_kind: spl, drive: 1}
figures: {formats: [svg, gif]}
"""
    whats = [problem.what for problem in refused(file, text)]
    assert sorted(whats) == sorted(
        [
            "anechain is 3",
            "title is absent",
            "titel: unknown key",
            "devices: 'Alder' is not safe as a folder name",
            "devices.Alder.responses.files.0 is '/alder.ring'",
            "devices.Alder.responses.importr: unknown key",
            "devices.Alder.setup.distance is -1",
            "devices.Alder.setup.drive is absent, but level_kind is spl",
            "devices.Alder.setup.valid_band is 9 to 1 Hz",
            "devices.birch.title is absent",
            "devices.birch.responses.files is []",
            "devices.birch.setup.humidity is 'wet'",
            "devices.birch.setup.distance is absent, but level_kind is spl",
            "figures.formats.1 is 'gif'",
        ]
    )


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["alder", "title", "responses", "files", "setup", "valid_band", "x"]), inner)
    ),
    max_leaves=8,
)


@given(
    st.sampled_from(["anechain", "title", "people", "devices", "alder", "responses", "files", "setup", "x"]), anything
)
def test_whatever_stands_anywhere_is_read_or_refused(tmp_path_factory, key, value):
    """No content of a campaign file leads to anything but a campaign or a refusal."""
    content = {"anechain": 1, "title": "x", "devices": {"alder": {"title": "x", "responses": {"files": ["a"]}}}}
    place = content
    if key in ("alder", "responses", "files", "setup"):
        place = content["devices"]
    if key in ("responses", "files", "setup"):
        place = place["alder"]
    if key == "files":
        place = place["responses"]
    place[key] = value
    file = tmp_path_factory.getbasetemp() / "anything.yaml"
    try:
        load(file, json.dumps(content))  # JSON is YAML 1.2, but for its infinities, which are then words
    except InputError as input_error:
        assert all(problem.what and (problem.fix or problem.expected) for problem in input_error.problems)


# The schema for editors


def test_the_schema_kept_is_the_schema_of_the_model():
    kept = anechain_schemas.text(SCHEMA)
    now = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    assert kept == now, f"it is out of date: run `anechain schema > schemas/anechain_schemas/{SCHEMA}`"


def test_the_command_named_renews_it():
    done = subprocess.run(
        [sys.executable, "-m", "anechain", "schema"], capture_output=True, check=True, encoding="utf-8"
    )
    assert done.stdout == anechain_schemas.text(SCHEMA)


def test_every_key_is_described():
    schema = json_schema()
    for model in (schema, *schema["$defs"].values()):
        assert model["additionalProperties"] is False
        for name, field in model["properties"].items():
            assert field.get("description"), name


def test_the_schema_is_no_contract():
    assert not any("campaign" in name for name in anechain_schemas.available())
