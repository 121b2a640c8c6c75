"""Write a campaign for the open dataset of a real loudspeaker (see fetch_open_data.py)."""

import shutil
import sys
from pathlib import Path

CAMPAIGN = """\
anechain: 1
title: A real two-way loudspeaker, open data
about: >-
  Directivity of a small active two-way loudspeaker on a 1 degree sphere, in third-octaves, relative level, from the
  BRAS database (TU Berlin and RWTH Aachen, doi 10.14279/depositonce-6726.3), as carried by the source distribution
  of sparrowpy 1.1.1.
licence: CC-BY-NC-4.0
devices:
  two-way:
    title: Open two-way
    kind: small active two-way
    about: >-
      The file has no view vector. With the reference axis along +z and up along +x its curve set equals that of
      a second publication of the same measurement. The two publications are mirror images of each other, so the left
      side is unknown; no curve of the set depends on it.
    responses:
      files: [raw/two-way-sphere.sofa]
      importer: sofa
      options: {reference_axis: "+z", up: "+x"}
    setup:
      level_kind: relative
      environment: anechoic chamber
      valid_band: [100, 20000]
"""


def make(source: Path, folder: Path) -> None:
    """Copy the dataset into the folder, and write a campaign file."""
    (folder / "raw").mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source / "two-way-sphere.sofa", folder / "raw" / "two-way-sphere.sofa")
    (folder / "campaign.yaml").write_text(CAMPAIGN, encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: make_real.py DATA_FOLDER CAMPAIGN_FOLDER")
    make(Path(sys.argv[1]), Path(sys.argv[2]))
