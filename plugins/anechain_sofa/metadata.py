"""Convention, room and credits of an AES69 file."""

from __future__ import annotations

import warnings

from anechain_sofa.conventions import LISTENER, unreadable_because
from anechain_sofa.options import SofaOptions
from anechain_sofa.variables import SofaFile, attribute

__all__ = ["convention_is_accepted", "credits"]


def convention_is_accepted(file: SofaFile, options: SofaOptions) -> bool:
    """Return whether the convention and the room are accepted; adds a problem if not, and lines to the report if so."""
    convention, version = attribute(file, "GLOBAL_SOFAConventions"), attribute(file, "GLOBAL_SOFAConventionsVersion")
    if attribute(file, "GLOBAL_Conventions") != "SOFA":
        file.refuse("its attribute Conventions is not SOFA", "an AES69 file", "choose another importer")
        return False
    if reason := unreadable_because(convention, version):
        file.refuse(reason, "free-field directivity or general transfer functions and impulse responses")
        return False
    if convention in LISTENER and options.directions != "sources":
        file.refuse(
            f"{convention} describes a listener, not a loudspeaker",
            "data of a loudspeaker",
            "if a loudspeaker was measured in this layout, declare directions: sources",
        )
        return False
    room = attribute(file, "GLOBAL_RoomType")
    if room.lower() != "free field":
        file.refuse(
            f"RoomType is {room or 'missing'!r}: the data describe a loudspeaker in a room",
            "free field",
            "correct RoomType in the file, if it was a free field",
        )
        return False
    file.report.append(f"convention: {convention} {version} (AES69, SOFA {attribute(file, 'GLOBAL_Version')})")
    file.report.extend(f"differs from the convention (checked by sofar): {text}" for text in _departures(file))
    return True


def _departures(file: SofaFile) -> list[str]:
    """Return where the file departs from its convention; such a file is still read if it can be understood."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # The mode for writing is the stricter one, and the only one that returns deprecations.
            text = file.stream.verify(issue_handling="return", mode="write") or ""
    except (AttributeError, KeyError, IndexError, TypeError, ValueError) as error:
        return [f"the check itself failed: {error}"]
    return [line.strip(" -") for line in text.splitlines() if line.startswith("- ")]


def credits(file: SofaFile) -> dict[str, str]:
    """Return title, origin, licence and convention, as far as the file states them."""
    convention = f"{attribute(file, 'GLOBAL_SOFAConventions')} {attribute(file, 'GLOBAL_SOFAConventionsVersion')}"
    names = dict.fromkeys(
        text for name in ("Organization", "DatabaseName") if (text := attribute(file, f"GLOBAL_{name}"))
    )
    stated = {
        "title": attribute(file, "GLOBAL_Title"),
        "origin": "; ".join(names),
        "licence": attribute(file, "GLOBAL_License"),
        "source_convention": f"AES69 {convention}",
    }
    if not stated["licence"]:
        file.report.append("the file states no licence")
    return {name: text for name, text in stated.items() if text}
