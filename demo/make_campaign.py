"""Write the demo campaign: `python demo/make_campaign.py FOLDER`."""

from __future__ import annotations

import argparse
from pathlib import Path, PurePosixPath

from demo_model.axis_exports import alder_recordings, rowan_recordings
from demo_model.campaign import CAMPAIGN
from demo_model.exports import SPHERE_FILE, alder_files, hazel_files, rowan_files, willow_files, write_hornbeam
from demo_model.impedance_exports import impedance_files

MARKER = ".demo-campaign"
_FIRST_LINE = "This folder was written by demo/make_campaign.py, which may replace the files listed here."


def _earlier_files(folder: Path) -> list[str]:
    """Return the files that an earlier demo wrote into the folder.

    Raises
    ------
    SystemExit
        If it is not a folder, or has files but no marker of a demo.
    """
    if not folder.exists():
        return []
    if not folder.is_dir():
        raise SystemExit(f"{folder} is not a folder. Name a new or an empty folder.")
    marker = folder / MARKER
    if marker.is_file():
        first, *listed = marker.read_text(encoding="utf-8").splitlines()
        if first == _FIRST_LINE and not any(
            PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts for name in listed
        ):
            return listed
    elif not any(folder.iterdir()):
        return []
    raise SystemExit(f"{folder} has files that are not from a demo. Name a new or an empty folder.")


def make_campaign(folder: Path) -> list[str]:
    """Write the raw exports and campaign.yaml, replacing those of an earlier demo, and return their names.

    Raises
    ------
    SystemExit
        If the folder has a file that is not from a demo.
    """
    earlier = _earlier_files(folder)
    texts = {
        **rowan_files(),
        **rowan_recordings(),
        **alder_files(),
        **alder_recordings(),
        **willow_files(),
        **hazel_files(),
        **impedance_files(),
        "campaign.yaml": CAMPAIGN.encode(),
    }
    names = sorted([*texts, SPHERE_FILE])
    if others := [name for name in names if name not in earlier and (folder / name).exists()]:
        raise SystemExit(f"{folder / others[0]} is not from an earlier demo. Move it away, or name another folder.")
    folder.mkdir(parents=True, exist_ok=True)
    # The marker first, so that the next run may replace the folder even if this one is interrupted.
    (folder / MARKER).write_text("\n".join([_FIRST_LINE, *names]) + "\n", encoding="utf-8")
    for name in earlier:
        (folder / name).unlink(missing_ok=True)
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if name == SPHERE_FILE:
            write_hornbeam(path)
        else:
            path.write_bytes(texts[name])
    return names


def main(arguments: list[str] | None = None) -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Write a fictional campaign of five loudspeakers, ready to run.")
    parser.add_argument("folder", type=Path, help="a new or empty folder, or one with an earlier demo")
    folder: Path = parser.parse_args(arguments).folder
    names = make_campaign(folder)
    size = sum((folder / name).stat().st_size for name in names)
    print(f"{len(names)} files, {size / 1e6:.1f} MB, in {folder}. Next: anechain run {folder / 'campaign.yaml'}")


if __name__ == "__main__":
    main()
