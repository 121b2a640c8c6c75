"""Tests of what an importer states about itself, and of its options."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from anechain.conformance.assertions import fail, require
from anechain.conformance.samples import ConformanceTests, importer_of, loaded_importer, original_cases
from anechain.errors import InputError
from anechain.importing.hooks import Options
from anechain.importing.importers import BrokenImporter, Importer
from anechain.importing.options import parse_options
from anechain.registry.sources import SOURCES

__all__ = ["DescriptionTests"]


class DescriptionTests(ConformanceTests):
    """Tests of an importer's description and options."""

    def test_it_loads_and_its_description_is_complete(self) -> None:
        """All hooks exist; title, content and version are stated; the sources are known ones."""
        importer = loaded_importer(self)
        if isinstance(importer, BrokenImporter):
            fail(f"the importer cannot be used: {importer.reason}")
        description = importer.description
        for name in ("title", "reads", "version"):
            text = getattr(description, name)
            require(isinstance(text, str) and text.strip() == text != "", f"{name} is {text!r}; state it")
            require(text.isprintable(), f"{name} is {text!r}; it must be one line of text")
        unknown = sorted(set(description.sources) - set(SOURCES))
        require(not unknown, f"the description lists the sources {unknown}; known are {', '.join(SOURCES)}")
        require(
            bool(description.sources), "the description lists no source: such an importer is never asked about a file"
        )

    def test_every_option_is_described_and_the_defaults_are_valid(self) -> None:
        """Each option, and each key of an option, has a description; the defaults of optional ones are valid."""
        importer = importer_of(self)
        model = importer.description.options
        schema = model.model_json_schema()
        for part, described in {"": schema, **schema.get("$defs", {})}.items():
            for name, property_ in described.get("properties", {}).items():
                require(
                    bool(str(property_.get("description", "")).strip()),
                    f"option {part}{'.' * bool(part)}{name} is not described",
                )
        for case in original_cases(self):
            options = _accepted(importer, case.sample.options, case.folder)
            # Passed explicitly, the defaults are validated even if the model does not validate its defaults.
            defaults = {name: value for name, value in dict(options).items() if name not in case.sample.options}
            try:
                model.model_validate({**dict(options), **defaults})
            except ValueError as error:
                fail(f"the options' defaults are not valid: {' '.join(str(error).split())}")

    def test_options_are_checked(self) -> None:
        """The samples' options are accepted, companion files are listed, and an unknown option is refused by name."""
        importer = importer_of(self)
        for case in original_cases(self):
            options = _accepted(importer, case.sample.options, case.folder)
            named = {value for value in dict(options).values() if isinstance(value, Path)}
            missing = sorted(path.name for path in named - set(options.companion_files()))
            require(not missing, f"{', '.join(missing)}: named in the options, but not among companion_files()")
            try:
                parse_options(importer, {**case.sample.options, "no_such_option": 1}, "campaign", "", case.folder)
            except InputError as input_error:
                require(
                    "no_such_option" in str(input_error),
                    f"an unknown option is refused, but the message does not name it: {input_error}",
                )
            else:
                fail("an option that does not exist is accepted; inherit from anechain.hooks.Options, extra='forbid'")


def _accepted(importer: Importer, options: Mapping[str, Any], folder: Path) -> Options:
    try:
        return parse_options(importer, options, "campaign", "options.", folder)
    except InputError as input_error:
        fail(f"options {dict(options)} are refused: {input_error}")
