"""The rooms of the core, and the order of imports between them: a module imports only what lies below it.

Imports inside functions count too.
"""

from pathlib import Path

import grimp
import pytest

import anechain
import anechain.acoustics

PLUGINS = (
    "anechain_arrays",
    "anechain_capture",
    "anechain_columns",
    "anechain_delimited",
    "anechain_sofa",
    "anechain_spherical",
    "anechain_tables",
    "anechain_uff",
)
ROOMS = (
    ("__main__",),
    ("cli",),
    ("testing",),
    ("audit", "conformance", "method_lock"),
    ("stages",),
    ("report",),
    ("running",),
    ("figures",),
    ("figure_of_merit",),
    ("assemble", "hooks"),
    ("importing",),
    ("campaign",),
    ("data",),
    ("registry",),
    ("receipts",),
    ("acoustics",),
    ("methods",),
    ("arrays", "cautions", "errors", "number_rows", "regular_files"),
    ("printable",),
)
"""From the top down; rooms of one line do not import each other."""
ACOUSTICS = (("recording",), ("nonlinear",), ("uncertainty",), ("impedance",), ("directivity",), ("phase",), ("curve",))
FOR_IMPORTERS = {"acoustics", "arrays", "assemble", "errors", "hooks", "importing", "number_rows"}
"""What an importer may import: the public interface, and the building blocks that bundled importers use too."""


@pytest.fixture(scope="module")
def graph():
    return grimp.build_graph("anechain", *PLUGINS, "anechain_schemas", "anechain_workflows", cache_dir=None)


def arrows(dependencies):
    """Each import that goes the wrong way, as "importer -> imported"."""
    found = []
    for dependency in dependencies:
        for route in dependency.routes:
            chain = [min(route.heads), *route.middle, min(route.tails)]
            found.append(" -> ".join(chain))
    return sorted(found)


def wrong_way(graph, container, rooms):
    layers = tuple(grimp.Layer(*(f"{container}.{room}" for room in line), independent=True) for line in rooms)
    return arrows(graph.find_illegal_dependencies_for_layers(layers=layers))


def test_no_room_imports_one_above_it(graph):
    assert wrong_way(graph, "anechain", ROOMS) == []


def test_no_room_of_the_acoustics_imports_one_above_it(graph):
    assert wrong_way(graph, "anechain.acoustics", ACOUSTICS) == []


@pytest.mark.parametrize(("package", "rooms"), [(anechain, ROOMS), (anechain.acoustics, ACOUSTICS)])
def test_every_room_has_its_place(package, rooms):
    folder = Path(package.__file__).parent
    there = {path.stem for path in folder.glob("*.py")} | {path.parent.name for path in folder.glob("*/__init__.py")}
    assert there - {"__init__"} == {room for line in rooms for room in line}


def test_an_importer_imports_no_other_and_nothing_private(graph):
    allowed = {f"anechain.{room}" for room in FOR_IMPORTERS}
    wrong = []
    for plugin in PLUGINS:
        for module in {plugin, *graph.find_descendants(plugin)}:
            for imported in graph.find_modules_directly_imported_by(module):
                own = imported.split(".")[0] == plugin
                if not own and not any(imported == room or imported.startswith(f"{room}.") for room in allowed):
                    wrong.append(f"{module} -> {imported}")
    assert sorted(wrong) == []


@pytest.mark.parametrize("package", ["anechain", *PLUGINS])
def test_no_two_modules_import_each_other(graph, package):
    modules = {package, *graph.find_descendants(package)}
    pairs = {
        tuple(sorted((module, imported)))
        for module in modules
        for imported in graph.find_modules_directly_imported_by(module)
        if module in graph.find_modules_directly_imported_by(imported)
    }
    assert pairs == set()


def test_an_upward_import_is_named(graph):
    graph.add_import(importer="anechain.acoustics.curve.levels", imported="anechain.stages.derive")
    try:
        assert "anechain.acoustics.curve.levels -> anechain.stages.derive" in wrong_way(graph, "anechain", ROOMS)
    finally:
        graph.remove_import(importer="anechain.acoustics.curve.levels", imported="anechain.stages.derive")
