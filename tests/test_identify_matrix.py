"""Every bundled importer is asked about a file of every kind: exactly one claims it, and none fails."""

import os
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import soundfile

import uff_files
from anechain.hooks import Verdict
from anechain.importing.identify import choose_importer, collect_verdicts
from anechain.importing.importers import find_importers
from container_files import KINDS, save
from delimited_files import Style, piston_box, write

FREQUENCY = np.round(np.geomspace(20, 20000, 61), 3)
LEVEL, PHASE = piston_box(FREQUENCY, 10)
CURVE = {f"{plane}{angle}": piston_box(FREQUENCY, angle)[0] for plane in "HV" for angle in (0, 10, 20)}
LONG = pd.concat(
    pd.DataFrame({"frequency": FREQUENCY, "plane": "hor", "angle": angle, "level": piston_box(FREQUENCY, angle)[0]})
    for angle in (0, 10, 20)
)
SPHERE = pd.DataFrame({"freq": 100.0, "azimuth": np.arange(0, 360, 10.0), "elevation": 0.0, "spl": 80.0})


def wide_text(separator, decimal="."):
    def make(folder):
        frame = pd.DataFrame({"Frequency [Hz]": FREQUENCY, **CURVE})
        frame.to_csv(folder / "oak.txt", sep=separator, decimal=decimal, index=False, float_format="%.3f")
        return folder / "oak.txt"

    return make


def frame_as(frame, suffix):
    def make(folder):
        path = folder / f"oak.{suffix}"
        if suffix == "csv":
            frame.to_csv(path, index=False)
        elif suffix == "xlsx":
            frame.to_excel(path, index=False)
        else:
            frame.to_parquet(path, index=False)
        return path

    return make


def one_direction(columns, header=(), separator="\t", decimal="."):
    style = Style(separator=separator, decimal=decimal, header=header)
    return lambda folder: write(folder / "oak hor 10.txt", columns, style)


def universal(binary):
    return lambda folder: uff_files.write(folder / "oak.uff", binary=binary)


def aes69(convention, version):
    def make(folder):
        with netCDF4.Dataset(folder / "oak.sofa", "w") as file:
            file.Conventions, file.SOFAConventions, file.SOFAConventionsVersion = "SOFA", convention, version
            file.createDimension("N", FREQUENCY.size)
            file.createVariable("N", "f8", ("N",))[:] = FREQUENCY
        return folder / "oak.sofa"

    return make


def container(kind, harmonic):
    name = "SH/coeff" if harmonic and "nc" not in kind else "coefficients" if harmonic else "level"
    return lambda folder: save(folder, kind, {name: np.ones((16, 61)), "f": FREQUENCY})


def sound(suffix):
    def make(folder):
        samples = np.sin(np.arange(4800) ** 2 * 1e-4) * 0.5
        soundfile.write(folder / f"oak hor 10.{suffix}", samples, 48000)
        return folder / f"oak hor 10.{suffix}"

    return make


SAMPLES = {
    "text, two columns": ("delimited", one_direction((FREQUENCY, LEVEL))),
    "text, three columns": ("delimited", one_direction((FREQUENCY, LEVEL, PHASE))),
    "text, named columns": ("delimited", one_direction((FREQUENCY, LEVEL, PHASE), ("Freq(Hz)\tSPL(dB)\tPhase(deg)",))),
    "text, two named columns": ("delimited", one_direction((FREQUENCY, LEVEL), ("Hz,dB",), ",")),
    "text, remarks": ("delimited", one_direction((FREQUENCY, LEVEL), ("* bench 3, 10 deg", "* Hz dB"), " ")),
    "text, decimal comma": ("delimited", one_direction((FREQUENCY, LEVEL, PHASE), (), ";", ",")),
    "impedance, named": (
        "columns",
        one_direction((FREQUENCY, LEVEL, PHASE), ("Frequency [Hz]\tImpedance [ohm]\tPhase [deg]",)),
    ),
    "impedance, units": ("columns", one_direction((FREQUENCY, LEVEL), ("Hz;Ohm",), ";", ",")),
    "harmonics": ("columns", one_direction((FREQUENCY, LEVEL, LEVEL, LEVEL), ("f/Hz,H1/dB,H2/%,H3/%",), ",")),
    "wide, commas": ("tables", wide_text(",")),
    "wide, tabs": ("tables", wide_text("\t")),
    "wide, decimal comma": ("tables", wide_text(";", ",")),
    "wide, two directions": ("tables", frame_as(pd.DataFrame({"Hz": FREQUENCY, "0": LEVEL, "10": LEVEL}), "csv")),
    "wide, workbook": ("tables", frame_as(pd.DataFrame({"f": FREQUENCY, **CURVE}), "xlsx")),
    "wide, Parquet": ("tables", frame_as(pd.DataFrame({"f": FREQUENCY, **CURVE}), "parquet")),
    "long, text": ("tables", frame_as(LONG, "csv")),
    "long, workbook": ("tables", frame_as(LONG, "xlsx")),
    "long, Parquet": ("tables", frame_as(LONG, "parquet")),
    "long, sphere as text": ("tables", frame_as(SPHERE, "csv")),
    "workbook without directions": ("tables", frame_as(pd.DataFrame({"a": [1], "b": [2]}), "xlsx")),
    "universal file, text": ("uff", universal(0)),
    "universal file, binary": ("uff", universal(1)),
    "AES69, directivity": ("sofa", aes69("FreeFieldDirectivityTF", "1.1")),
    "AES69, impulse responses": ("sofa", aes69("GeneralFIR-E", "2.0")),
    "AES69, listener": ("sofa", aes69("SimpleFreeFieldHRIR", "1.0")),
    "sound, WAV": ("capture", sound("wav")),
    "sound, FLAC": ("capture", sound("flac")),
    **{f"array, {kind}": ("arrays", container(kind, False)) for kind in KINDS},
    **{f"coefficients, {kind}": ("spherical", container(kind, True)) for kind in KINDS},
}


@pytest.fixture(scope="module")
def importers():
    usable, broken = find_importers()
    bundled = {name: one for name, one in usable.items() if one.origin.startswith("anechain ")}
    assert not [one for one in broken if one.origin.startswith("anechain ")]
    assert {winner for winner, _ in SAMPLES.values()} == set(bundled)  # every one of them has a sample
    return bundled


def claims(path, importers):
    answers = collect_verdicts(path, importers)
    assert all(isinstance(answer, Verdict) for answer in answers.values()), answers
    return {name: answer.confidence for name, answer in answers.items()}


@pytest.mark.parametrize("kind", SAMPLES)
def test_exactly_one_importer_claims_each_kind_of_file(tmp_path, importers, kind):
    winner, make = SAMPLES[kind]
    path = make(tmp_path)
    ranked = sorted(claims(path, importers).items(), key=lambda one: -one[1])
    assert ranked[0][0] == winner and ranked[0][1] > ranked[1][1], ranked
    assert choose_importer([path], importers, [], "oak").name == winner


@pytest.mark.parametrize("kind", SAMPLES)
def test_the_name_does_not_decide(tmp_path, importers, kind):
    winner, make = SAMPLES[kind]
    path = make(tmp_path)
    assert choose_importer([path.rename(tmp_path / "oak")], importers, [], "oak").name == winner


@pytest.mark.parametrize("kind", SAMPLES)
def test_a_cut_file_never_makes_a_tie(tmp_path, importers, kind):
    _, make = SAMPLES[kind]
    path = make(tmp_path)
    whole = path.read_bytes()
    for length in np.linspace(1, len(whole) - 1, 6).astype(int):
        path.write_bytes(whole[:length])
        ranked = sorted(claims(path, importers).values(), reverse=True)
        assert ranked[0] == 0 or ranked[0] > ranked[1]


@pytest.mark.parametrize(
    "content", [b"\0", b"PK\x03\x04 an archive", b"%PDF-1.7", b"<html></html>", b"# remark\n", bytes(999)]
)
def test_what_is_none_of_them_is_claimed_by_none(tmp_path, importers, content):
    (tmp_path / "junk").write_bytes(content)
    assert set(claims(tmp_path / "junk", importers).values()) == {0.0}


REAL = {
    "*/*.mat": "spherical",
    "*/*.uff": "uff",
    "*/*.sofa": "sofa",
    "*/*measurement.wav": "capture",
}


@pytest.mark.parametrize("pattern", REAL)
def test_real_files(importers, pattern):
    folder = os.environ.get("ANECHAIN_REFERENCE_DATA")
    if not folder:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set: folder of the open reference data")
    paths = sorted(Path(folder).glob(pattern))
    if not paths:
        pytest.skip(f"ANECHAIN_REFERENCE_DATA does not hold {pattern}")
    for path in paths:
        ranked = sorted(claims(path, importers).items(), key=lambda one: -one[1])
        assert ranked[0][0] == REAL[pattern] and ranked[0][1] > ranked[1][1], (path.name, ranked)
