"""The crate, compared with its profile by the community's validator, and with the files that it describes."""

import copy
import hashlib
import io
import json
import re
from collections import Counter
from urllib.parse import unquote

import pytest
import requests
import urllib3
from requests_cache import CachedSession
from rocrate_validator import models, services
from rocrate_validator.utils.http import HttpRequester

from anechain.errors import InputError
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.report.crate import build_crate
from anechain.report.crate_content import CrateContent, Run
from anechain.report.crate_document import crate_bytes, external_files, move_root, run_times
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch, run_whole
from anechain.stages.crate import STARTED
from finished_campaigns import finished

# Terms of the context https://w3id.org/ro/crate/1.1/context that our crates use, with the addresses that it maps them
# to. The validator would fetch contexts from the network; here they come from its cache, which has only these terms. A
# term that is missing here was not looked up, and fails.
SCHEMA = """
    CreateAction CreativeWork Dataset HowTo HowToStep IndividualProduct Person PropertyValue ComputerLanguage
    SoftwareApplication SoftwareSourceCode about actionStatus additionalProperty additionalType agent author
    contentSize datePublished description encodingFormat endTime error exampleOfWork hasPart identifier instrument
    license mainEntity mentions multipleValues name object position programmingLanguage result softwareRequirements
    softwareVersion startTime step unitText url value version
"""
CONTEXTS = {
    "https://w3id.org/ro/crate/1.1/context": {
        **{term: f"http://schema.org/{term}" for term in SCHEMA.split()},
        "File": "http://schema.org/MediaObject",
        "conformsTo": "http://purl.org/dc/terms/conformsTo",
        "wasDerivedFrom": "http://www.w3.org/ns/prov#wasDerivedFrom",
        "ComputationalWorkflow": "https://bioschemas.org/ComputationalWorkflow",
        "FormalParameter": "https://bioschemas.org/FormalParameter",
        "input": "https://bioschemas.org/ComputationalWorkflow#input",
        "output": "https://bioschemas.org/ComputationalWorkflow#output",
    },
    "https://w3id.org/ro/terms/workflow-run/context": {"sha256": "https://w3id.org/ro/terms/workflow-run#sha256"},
}
TIMES = ("datePublished", "startTime", "endTime")


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(STARTED, "2026-01-02T03:04:05+00:00")
        return finished(tmp_path_factory.mktemp("finished"), formats="[svg]")


@pytest.fixture(scope="module")
def crate(plan):
    return json.loads((plan.results / "ro-crate-metadata.json").read_bytes())


@pytest.fixture(scope="module")
def entities(crate):
    by_id = {entity["@id"]: entity for entity in crate["@graph"]}
    assert len(by_id) == len(crate["@graph"])
    return by_id


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    """The validator's cache of contexts, filled with the terms above."""
    path = tmp_path_factory.mktemp("cache") / "http"
    with CachedSession(cache_name=str(path), expire_after=-1, backend="sqlite") as session:
        for url, terms in CONTEXTS.items():
            answer = requests.Response()
            answer.status_code, answer.url = 200, url
            answer.headers["Content-Type"] = "application/ld+json"
            answer._content = json.dumps({"@context": terms}).encode()
            answer.request = requests.Request("GET", url).prepare()
            answer.raw = urllib3.HTTPResponse(io.BytesIO(answer._content), answer.headers, 200, preload_content=False)
            session.cache.save_response(answer)
    yield path
    HttpRequester.reset()


@pytest.fixture
def failures(plan, cache, monkeypatch):
    """A function that returns the problems that the validator reports for a document, without the network."""

    def no_network(*args, **options):
        raise AssertionError("the validator went to the network")

    monkeypatch.setattr(requests.adapters.HTTPAdapter, "send", no_network)

    def validate(document, severity="REQUIRED", root=None):
        settings = models.ValidationSettings(
            metadata_dict=document,
            package_root=root or plan.results,
            profile_identifier="workflow-run-crate",
            requirement_severity=severity,
            offline=True,
            cache_path=cache,
        )
        result = services.validate(settings)
        assert result.passed() == (not result.get_issues())
        return {issue.message for issue in result.get_issues()}

    return validate


# Comparison with the profile


def test_every_term_is_in_the_contexts(crate):
    used = {key for entity in crate["@graph"] for key in entity if not key.startswith("@")}
    used |= {type_ for entity in crate["@graph"] for type_ in listed(entity["@type"])}
    assert used - {term for terms in CONTEXTS.values() for term in terms} == set()
    assert crate["@context"] == list(CONTEXTS)


def test_the_crate_has_all_that_the_profiles_require(crate, failures):
    assert failures(crate) == set()


@pytest.mark.proof
def test_only_recommended_properties_that_are_not_known_are_missing(crate, failures):
    """Software page, publisher and employer are not known and are not invented. A crate has no README."""
    assert failures(crate, "RECOMMENDED") == {
        "The Application SHOULD have a url",
        "The SoftwareApplication id SHOULD be an absolute URI",
        "The README.md SHOULD be about the crate",
        "The README.md SHOULD have text/markdown as its encodingFormat",
        "The `publisher` property of a `Root Data Entity` SHOULD be an `Organization`",
        "The author SHOULD have an organizational affiliation.",
        "The author SHOULD have a Contextual Entity which specifies the organizational `affiliation`.",
    }


@pytest.mark.proof
@pytest.mark.parametrize(
    "removed",
    [
        {
            ("./", "license"): "must specify a license",
            ("./", "conformsTo"): "versioned permalink of the Workflow Run Crate profile",
            ("./", "datePublished"): "datePublished",
            ("#run", "instrument"): "MUST reference the root data entity's mainEntity as its instrument",
            ("workflow/Snakefile", "programmingLanguage"): "must refer to its language",
            ("#slot-raw", "additionalType"): "FormalParameter MUST have an additionalType",
            ("rowan/curves.nc", "@id"): "does not include the Data Entity 'rowan/curvets.nc'",
        },
        {("./", "mainEntity"): "Main Workflow must be specified"},
        {("ro-crate-metadata.json", "about"): "about"},
    ],
)
def test_the_validator_reports_what_is_removed(crate, failures, removed):
    lacking = copy.deepcopy(crate)
    for entity in lacking["@graph"]:
        for id_, property_ in removed:
            if entity["@id"] == id_ and property_ != "@id":
                del entity[property_]
    if ("rowan/curves.nc", "@id") in removed:  # a file that is not there
        lacking = json.loads(json.dumps(lacking).replace('"@id": "rowan/curves.nc"', '"@id": "rowan/curvets.nc"'))
    messages = failures(lacking)
    assert all(any(text in message for message in messages) for text in removed.values())


# Comparison with the files


def listed(value):
    return value if isinstance(value, list) else [value]


def ids(value):
    return [entity["@id"] for entity in listed(value)]


def test_every_file_has_its_size_and_hash(plan, entities):
    """Same values as from sha256sum and stat."""
    files = {id_: file for id_, file in entities.items() if "sha256" in file}
    assert Counter(file["exampleOfWork"]["@id"] for file in files.values())["#slot-raw"] == 144
    for id_, file in files.items():
        root = plan.folder if id_.startswith("#") else plan.results
        data = (root / unquote(id_.removeprefix("#"))).read_bytes()
        assert (file["sha256"], file["contentSize"]) == (hashlib.sha256(data).hexdigest(), str(len(data)))
        assert file["name"] == unquote(id_.removeprefix("#")) and "/" in file["encodingFormat"]


def test_every_output_is_a_result_and_every_raw_file_an_object(plan, entities):
    made = {
        path.relative_to(plan.results).as_posix()
        for path in plan.results.rglob("*")
        if path.is_file() and path.relative_to(plan.results).parts[0] not in (".chain", "workflow")
    }
    assert sorted(map(unquote, ids(entities["#run"]["result"]))) == sorted(made - {"ro-crate-metadata.json"})
    raw = {path.relative_to(plan.folder).as_posix() for path in (plan.folder / "raw").rglob("*.csv")}
    objects = {unquote(id_).removeprefix("#") for id_ in ids(entities["#run"]["object"]) if "#value-" not in id_}
    assert objects == raw | {"campaign.yaml"}


def test_the_sources_of_the_page_lead_back_to_the_raw_files(entities):
    reached, ahead = set(), ["report/index.html"]
    while ahead:
        id_ = ahead.pop()
        if id_ not in reached:
            reached.add(id_)
            ahead += ids(entities[id_].get("wasDerivedFrom", []))
    assert sum(id_.startswith("#raw/") for id_ in reached) == 144
    assert ids(entities["rowan/curves.nc"]["wasDerivedFrom"]) == ["rowan/responses.nc"]
    assert all("/rowan/" in id_ for id_ in ids(entities["rowan/responses.nc"]["wasDerivedFrom"]))


def test_people_licence_setup_and_options_are_those_of_the_campaign(entities):
    root, run = entities["./"], entities["#run"]
    assert ids(root["author"]) == ids(run["agent"]) == ["https://orcid.org/0000-0002-1825-0097", "#person-2"]
    assert entities["#person-2"]["name"] == "The reading circle"
    assert root["license"]["@id"] == "https://spdx.org/licenses/CC-BY-4.0"
    assert root["description"] == "A trial with two sources"
    distance = entities["#device-rowan-distance"]
    assert (distance["value"], distance["unitText"]) == (2.0, "m")
    assert entities["#value-derivation.smoothing"]["value"] == 20.0
    assert entities["#value-figures.formats"]["value"] == "svg"
    assert ids(entities["rowan/curves.nc"]["about"]) == ["#device-rowan"]


def test_steps_are_the_stages_with_their_versions(entities):
    steps = [entities[id_] for id_ in ids(entities["workflow/Snakefile"]["step"])]
    assert [step["name"] for step in steps] == [*DEVICE_STAGES, *CAMPAIGN_STAGES]
    assert "listening-window 1" in steps[1]["description"] and all(step["version"].isdigit() for step in steps)


# Time, and no place


def test_the_crate_has_the_times_of_the_run_and_no_path(plan, crate, entities):
    assert entities["#run"]["startTime"] == "2026-01-02T03:04:05+00:00"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", entities["#run"]["endTime"])
    assert entities["./"]["datePublished"] == entities["#run"]["endTime"]
    assert str(plan.folder) not in json.dumps(crate) and "/tmp" not in json.dumps(crate)


def test_the_same_content_gives_the_same_bytes(plan):
    content = CrateContent((), (), ("workflow/Snakefile",), {}, (), {"anechain": "1"})
    first, second = (build_crate(plan.campaign, content, Run(None, "2026-01-01T00:00:00+00:00", {})) for _ in range(2))
    assert crate_bytes(first) == crate_bytes(second)
    assert run_times(first) == (None, "2026-01-01T00:00:00+00:00")


def test_unchanged_results_keep_the_times_of_the_crate(plan, monkeypatch):
    target = plan.results / "ro-crate-metadata.json"
    before = target.read_bytes()
    monkeypatch.setenv(STARTED, "2026-09-09T09:09:09+00:00")
    run_whole(plan, "crate")
    assert target.read_bytes() == before


@pytest.mark.parametrize("start", ["", "yesterday", "2026-01-01T00:00:00"])
def test_an_unknown_start_is_left_out(plan, monkeypatch, start):
    target = plan.results / "ro-crate-metadata.json"
    before = target.read_bytes()
    target.unlink()
    monkeypatch.setenv(STARTED, start)
    run_whole(plan, "crate")
    document = json.loads(target.read_bytes())
    target.write_bytes(before)
    assert all("startTime" not in entity for entity in document["@graph"])


@pytest.mark.parametrize("data", [b"", b"[]", b"{}", b'{"@graph": 5}', b'{"@graph": [5, {"@id": "#run"}]}'])
def test_a_file_that_is_no_crate_is_replaced(plan, data):
    target = plan.results / "ro-crate-metadata.json"
    before = target.read_bytes()
    target.write_bytes(data)
    run_whole(plan, "crate")
    assert len(json.loads(target.read_bytes())["@graph"]) == len(json.loads(before)["@graph"])
    target.write_bytes(before)


def test_a_raw_file_changed_since_its_import_is_named(tmp_path):
    plan = finished(tmp_path, devices=(("rowan", 1.0),))
    raw = tmp_path / "raw" / "rowan" / "rowan horizontal +30.csv"
    raw.write_text(raw.read_text() + "\n")
    with pytest.raises(InputError, match=r"rowan horizontal \+30.csv: was changed or removed after it was read"):
        run_whole(plan, "crate")


@pytest.mark.proof
def test_a_run_without_a_device_names_it(tmp_path, failures):
    """The campaign states no people, licence or purpose, and none is invented."""
    from campaigns import campaign

    file = campaign(tmp_path)
    (tmp_path / "raw" / "alder" / "alder vertical -60.csv").write_text("no numbers\n")
    plan = prepare(file, keep_going=True)
    for stage in DEVICE_STAGES:
        run_batch(plan, stage, "0001")
    for stage in ("compare", "report"):
        run_whole(plan, stage)
    with pytest.raises(InputError, match="made without some devices"):
        run_whole(plan, "crate")
    document = json.loads((plan.results / "ro-crate-metadata.json").read_bytes())
    entities = {entity["@id"]: entity for entity in document["@graph"]}
    assert entities["#run"]["actionStatus"] == "http://schema.org/FailedActionStatus"
    assert entities["#run"]["error"].startswith("alder: failed at ingest: ")
    assert not any("alder" in id_ for id_ in entities)
    assert "author" not in entities["./"] and "agent" not in entities["#run"]
    assert entities["./"]["license"].startswith("No licence is stated")
    assert failures(document, root=plan.results) == set()


@pytest.mark.parametrize(
    ("licence", "expected"),
    [
        ("CC0-1.0", {"@id": "https://spdx.org/licenses/CC0-1.0"}),
        ("CC0-1.0 OR MIT", "CC0-1.0 OR MIT"),
        ("LicenseRef-hall", "LicenseRef-hall"),
    ],
)
def test_licences(plan, licence, expected):
    content = CrateContent((), (), ("workflow/Snakefile",), {}, (), {"anechain": "1"})
    campaign = plan.campaign.model_copy(update={"licence": licence})
    (root,) = (
        entity
        for entity in build_crate(campaign, content, Run(None, "2026-01-01", {}))["@graph"]
        if entity["@id"] == "./"
    )
    assert root["license"] == expected


# A root further up (test_bundle.py compares a bundle with the profile)


def test_a_crate_of_the_campaign_folder_contains_its_raw_files(crate):
    outside = external_files(crate)
    assert len(outside) == 145
    whole = move_root(crate, "results", outside, {"README.txt": "not part of it before"})
    assert external_files(whole) == {}
    assert len(whole["@graph"]) == len(crate["@graph"]) + 1
    (root,) = (entity for entity in whole["@graph"] if entity["@id"] == "./")
    parts = ids(root["hasPart"])
    assert {"README.txt", "campaign.yaml", "raw/rowan/rowan%20horizontal%20%2B30.csv"} <= set(parts)
    assert "results/rowan/curves.nc" in parts and root["mainEntity"] == {"@id": "results/workflow/Snakefile"}


def test_raw_files_that_are_not_included_stay_described(crate):
    whole = move_root(crate, "results", ["campaign.yaml"], {})
    assert len(external_files(whole)) == 144
    (curves,) = (entity for entity in whole["@graph"] if entity["@id"] == "results/rowan/responses.nc")
    assert all(id_.startswith("#raw/rowan/") for id_ in ids(curves["wasDerivedFrom"]))
