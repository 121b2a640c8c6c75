"""Every bundled importer keeps to what a third party's importer has to keep to: the same inherited tests."""

import tomllib
import warnings
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import sofar

import capture_files
import physics
import uff_files
from anechain.acoustics.directivity.directions import orbit_vectors
from anechain.importing.importers import ENTRY_POINT_GROUP
from anechain.testing import ImporterConformance, Sample
from container_files import KINDS, save
from delimited_files import Style, piston_box, write, write_orbits

FREQUENCY = np.round(np.geomspace(20, 20000, 21), 2)
ANGLES = (-90.0, 0.0, 90.0, 180.0)
LEVEL = np.array([piston_box(FREQUENCY, angle)[0] for angle in ANGLES])
PRESSURE = 20e-6 * 10 ** (LEVEL / 20) * np.exp(1j * np.deg2rad([piston_box(FREQUENCY, angle)[1] for angle in ANGLES]))
TEXT_TABLES = {
    "comma table",
    "comma table without titles",
    "tab table",
    "semicolon table, decimal commas",
}
SPL = {"level_kind": "spl", "distance": 2.0, "drive": 2.83}


class TestDelimited(ImporterConformance):
    plugin = "delimited"
    # A universal file without a response is rows of numbers and no more.
    claimed_kinds = TEXT_TABLES | {"universal file"}

    def samples(self, folder):
        for name in ("phase", "level", "listed"):
            (folder / name).mkdir()
        titled = Style(";", ",", "utf-16", "\r\n", ("Workshop bench, 23 °C", "Freq(Hz);SPL(dB);Phase(deg)"))
        level = write_orbits(folder / "level", FREQUENCY, angles=(0, 30), with_phase=False)
        listed = [write(folder / "listed" / f"take {n}.txt", (FREQUENCY, LEVEL[n])) for n in (0, 1)]
        manifest = folder / "places.csv"
        manifest.write_text("file,plane,angle\ntake 0.txt,h,-90\ntake 1.txt,h,0\n")
        named = {"pattern": "oak {plane} {angle}.txt"}
        return [
            Sample(
                write_orbits(folder / "phase", FREQUENCY, style=titled),
                named,
                setup=SPL,
                report_contains=("lines before the numbers, ignored: 2 (6 files",),
            ),
            Sample(level, named),
            Sample(listed, {"manifest": "places.csv"}, [manifest]),
        ]


class TestColumns(ImporterConformance):
    plugin = "columns"

    def samples(self, folder):
        # A voice coil of 6 ohms and 0.5 mH in series; and harmonic orders 40 and 50 dB down at two drives.
        ohms = 6 + 2j * np.pi * FREQUENCY * 0.5e-3
        coil = write(
            folder / "coil.txt",
            (FREQUENCY, np.abs(ohms), np.rad2deg(np.angle(ohms))),
            Style(header=("Frequency (Hz)\tImpedance (ohm)\tPhase (deg)",)),
        )
        titles = ("Hz,fundamental [dB SPL],H2 [dB SPL],H3 [dB SPL]",)
        drives = [
            write(
                folder / f"harmonics {drive:g} V.txt",
                (FREQUENCY, 90 + step + 0 * FREQUENCY, 50 + 2 * step + 0 * FREQUENCY, 40 + 3 * step + 0 * FREQUENCY),
                Style(",", header=titles),
            )
            for drive, step in ((2, 0.0), (4, 6.02))
        ]
        return [
            Sample([coil], source="impedance"),
            Sample(drives, {"pattern": "harmonics {drive} V.txt"}, source="harmonics", setup={"distance": 2.0}),
        ]


class TestSofa(ImporterConformance):
    plugin = "sofa"

    def samples(self, folder):
        angles = physics.orbit_angles(30)
        vectors = np.vstack([orbit_vectors(plane, angles) for plane in ("horizontal", "vertical")])
        vectors = vectors[np.unique(np.round(vectors, 9), axis=0, return_index=True)[1]]
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", category=UserWarning)
            sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
            sofa.ReceiverPosition, sofa.ReceiverPosition_Type = 2 * vectors, "cartesian"
            sofa.ReceiverPosition_Units = "metre"
            sofa.SourceView, sofa.SourceUp, sofa.N = [1, 0, 0], [0, 0, 1], FREQUENCY[10:14]
            sofa.Data_Real = np.repeat(0.7 + 0.3 * vectors[None, :, :1], 4, axis=2)
            sofa.Data_Imag = np.zeros_like(sofa.Data_Real)
            for name in [name for name in vars(sofa) if sofa._convention.get(name, {}).get("type") == "string"]:
                sofa.delete(name)  # sofar 1.3 cannot write text with netCDF4 1.7.5
            sofar.write_sofa(folder / "rowan.sofa", sofa)
        with netCDF4.Dataset(folder / "rowan.sofa") as file:
            assert file.SOFAConventions == "FreeFieldDirectivityTF"
        return [Sample([folder / "rowan.sofa"], report_contains=("convention: FreeFieldDirectivityTF 1.1",))]


class TestCapture(ImporterConformance):
    plugin = "capture"
    claimed_kinds = frozenset({"WAV", "FLAC"})

    def samples(self, folder):
        ring = np.zeros(2400)
        ring[48:] = capture_files.record_loudspeaker(np.r_[1.0, np.zeros(2351)], delay=0.001, tail=0.0)[:2352]
        responses = [
            capture_files.write(folder / f"yew h {angle}.wav", capture_files.first_order(angle) * ring)
            for angle in (0, 90)
        ]
        window = {"shape": "hann", "before": 1, "after": 10, "fade": 4}
        played = capture_files.sweep()[:9600]
        sweeps = [
            capture_files.write(folder / f"yew v {angle}.flac", 0.2 * np.r_[np.zeros(200), played, np.zeros(2000)])
            for angle in (0,)
        ]
        excitation = capture_files.write(folder / "played.wav", played)
        named = {"pattern": "yew {plane} {angle}.wav", "window": window}
        return [
            Sample(responses, named | {"content": "impulse response"}),
            Sample(
                sweeps,
                named | {"pattern": "yew {plane} {angle}.flac", "excitation": "played.wav"},
                [excitation],
            ),
        ]


class TestTables(ImporterConformance):
    plugin = "tables"
    claimed_kinds = frozenset({"Parquet", "workbook"})

    def samples(self, folder):
        wide = pd.DataFrame({"Hz": FREQUENCY} | {f"H{a:g}": row for a, row in zip(ANGLES, LEVEL, strict=True)})
        long = wide.melt("Hz", var_name="angle", value_name="level")
        long["plane"], long["angle"] = "hor", long["angle"].str[1:].astype(float)
        wide.to_csv(folder / "wide.csv", index=False, float_format="%.3f")
        long.to_csv(folder / "long.tsv", index=False, sep="\t", float_format="%.3f")
        wide.to_excel(folder / "wide.xlsx", index=False)
        long.to_parquet(folder / "long.parquet", index=False)
        return [Sample([folder / name]) for name in ("wide.csv", "long.tsv", "wide.xlsx", "long.parquet")]


class TestUff(ImporterConformance):
    plugin = "uff"
    claimed_kinds = frozenset({"universal file"})

    def samples(self, folder):
        nodes = {"1": {"plane": "horizontal", "angle": 0}, "2": {"plane": "horizontal", "angle": 30}}
        for name, binary in (("text.uff", 0), ("binary.uff", 1)):
            uff_files.write(folder / name, angles=(0, 30), binary=binary)
        return [
            Sample(
                [folder / name],
                {"nodes": nodes},
                report_contains=("0 Hz dropped",),
                setup={"distance": 1.0, "drive": 2.83},
            )
            for name in ("text.uff", "binary.uff")
        ]


class TestArrays(ImporterConformance):
    plugin = "arrays"
    claimed_kinds = frozenset({"netCDF-3", "netCDF-4", "HDF5", "MATLAB 5"})

    def samples(self, folder):
        options = {
            "frequency": "f",
            "level": "L",
            "axes": ["angle", "frequency"],
            "angle": list(ANGLES),
            "plane": "horizontal",
        }
        return [Sample([save(folder, kind, {"f": FREQUENCY, "L": LEVEL})], options) for kind in KINDS]


class TestSpherical(ImporterConformance):
    plugin = "spherical"

    def samples(self, folder):
        # 0.7 + 0.3 cos along +x: orthonormal real harmonics of degree 0 and 1 by their closed forms.
        coefficients = np.zeros((4, FREQUENCY.size))
        coefficients[0], coefficients[3] = 0.7 * np.sqrt(4 * np.pi), 0.3 * np.sqrt(4 * np.pi / 3)
        options = {
            "coefficients": "SH/c",
            "frequency": "SH/f",
            "reference_axis": "+x",
            "up": "+z",
            "basis": "real",
            "normalisation": "orthonormal",
        }
        return [Sample([save(folder, kind, {"SH/c": coefficients, "SH/f": FREQUENCY})], options) for kind in KINDS[:3]]


def test_no_bundled_importer_is_left_out():
    root = Path(__file__).parent.parent
    bundled = tomllib.loads((root / "pyproject.toml").read_text())["project"]["entry-points"][ENTRY_POINT_GROUP]
    assert {tests.plugin for tests in ImporterConformance.__subclasses__()} >= set(bundled)
