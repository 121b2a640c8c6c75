"""Files of many formats that are not exports of an instrument, generated for the tests: no importer may claim them.

They are small, and identical each time as far as the libraries that write them allow.
"""

from __future__ import annotations

import gzip
import io
import json
import sqlite3
import struct
import tarfile
import wave
import zipfile
import zlib
from pathlib import Path

import numpy as np

__all__ = ["foreign_files", "junk"]

_PROSE = (
    "The hall was empty when we began.\n"
    "We set the stand in the middle of the floor and walked around it twice, listening.\n"
    "At noon the heating came on, and we stopped for an hour.\n"
)
_TIMES = np.arange(64) / 1000.0
_VALUES = np.round(np.sin(2 * np.pi * 50 * _TIMES), 4)


def foreign_files(folder: Path) -> dict[str, Path]:
    """Write one file of each kind into an existing folder.

    Returns
    -------
    dict of str to Path
        The files by kind, such as "comma table" or "WAV".
    """
    files = {}
    for kind, (name, content) in {**_texts(), **_binaries()}.items():
        files[kind] = folder / name
        files[kind].write_bytes(content)
    return files | _library_files(folder)


def junk(samples: dict[str, bytes]) -> dict[str, bytes]:
    """Return meaningless contents: random bytes, broken text, and samples truncated, doubled and mixed with noise.

    Parameters
    ----------
    samples : dict of str to bytes
        Contents of good files by name.

    Returns
    -------
    dict of str to bytes
        Contents by description; none of them is empty.
    """
    noise = np.random.default_rng(1).integers(0, 256, 4096, dtype=np.uint8).tobytes()
    contents = {
        "one byte": b"\0",
        "one line end": b"\n",
        "spaces": b" " * 500,
        "zeros": bytes(5000),
        "random bytes": noise,
        "not UTF-8": b"\xff\xfe\xfd level \xc3\x28 \xa0\xa1\n" * 9,
        "UTF-16 with half a character": "Hz\tdB\n".encode("utf-16") + b"\n",
        "UTF-8 mark alone": b"\xef\xbb\xbf",
        "commas": b",,,,\n" * 50,
        "quotes that never close": b'"Hz,dB\n1,2\n' * 20,
        "invalid numbers": b"nan,inf\n-inf,1e999\n--1,+-2\n" * 9,
        "digits of many scripts": "١٢٣ ४५६ ⅷ\n".encode() * 9,
        "control characters": bytes(range(32)) * 20,
        "deep brackets": b"[" * 5000 + b"{" * 5000,
        "huge line": huge_line(),
    }
    for name, content in samples.items():
        for share in (0.01, 0.1, 0.5, 0.9):
            contents[f"{name}, first {share:.0%}"] = content[: max(1, int(share * len(content)))]
        contents[f"{name}, last half"] = content[len(content) // 2 :]
        contents[f"{name}, twice"] = content * 2 if len(content) < 200_000 else content
        contents[f"{name}, then noise"] = content[:1000] + noise
        contents[f"{name}, noise first"] = noise[:100] + content[:4000]
        contents[f"{name}, lines of prose between"] = _PROSE.encode().join(content[:4000].split(b"\n"))
    return {name: content for name, content in contents.items() if content}


def huge_line(size: int = 2_000_000) -> bytes:
    """Return a line of numbers of `size` bytes without a line end."""
    return (b"20.0,81.25;" * (size // 11 + 1))[:size]


def _table(separator: str, titles: str = "", decimal: str = ".") -> bytes:
    rows = (
        f"{time:.3f}{separator}{value:.4f}".replace(".", decimal) for time, value in zip(_TIMES, _VALUES, strict=True)
    )
    return "\n".join([*([titles] if titles else []), *rows, ""]).encode()


def _texts() -> dict[str, tuple[str, bytes]]:
    rows = [{"time": float(t), "value": float(v)} for t, v in zip(_TIMES[:8], _VALUES[:8], strict=True)]
    markup = "".join(f'<row t="{t:g}">{v:g}</row>' for t, v in zip(_TIMES[:8], _VALUES[:8], strict=True))
    return {
        "prose": ("notes.txt", _PROSE.encode()),
        "prose in UTF-16": ("notes-16.txt", _PROSE.encode("utf-16")),
        "comma table": ("volts.csv", _table(",", "time,volts")),
        "comma table without titles": ("volts-bare.csv", _table(",")),
        "tab table": ("volts.tsv", _table("\t", "time\tvolts")),
        "semicolon table, decimal commas": ("volts-comma.csv", _table(";", "time;volts", ",")),
        "list of addresses": ("people.csv", b"name,street,town\nA,1 Mill Lane,Elmford\nB,2 Mill Lane,Elmford\n"),
        "one column": ("column.txt", "".join(f"{value}\n" for value in _VALUES).encode()),
        "JSON": ("rows.json", json.dumps(rows, indent=1).encode()),
        "JSON lines": ("rows.jsonl", "".join(f"{json.dumps(row)}\n" for row in rows).encode()),
        "XML": ("rows.xml", f'<?xml version="1.0"?>\n<rows>{markup}</rows>\n'.encode()),
        "HTML": ("rows.html", f"<!DOCTYPE html>\n<html><body><p>{_PROSE}</p></body></html>\n".encode()),
        "SVG": ("line.svg", b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><path d="M0 0L9 9"/></svg>'),
        "YAML": ("settings.yaml", b"title: Trial\nlevels: [80, 81.5]\nfiles:\n  - raw/a.txt\n"),
        "INI": ("settings.ini", b"[capture]\nrate = 48000\nlevel = -12.5\n"),
        "source code": ("tool.py", b"import sys\n\n\ndef level(x):\n    return 20 * x\n\n\nprint(level(3))\n"),
        "log of a program": (
            "tool.log",
            b"2031-05-04 12:00:01 INFO started\n2031-05-04 12:00:02 WARN 3 of 72 left\n" * 9,
        ),
        "universal file": ("line.unv", _universal()),
    }


def _universal() -> bytes:
    """Return a universal file with one node (dataset 15, according to its published layout): geometry, no response."""
    node = f"{1:10d}{0:10d}{0:10d}{11:10d}{0.0:13.5E}{0.0:13.5E}{1.0:13.5E}\n"
    return f"{-1:6d}\n{15:6d}\n{node}{-1:6d}\n".encode()


def _binaries() -> dict[str, tuple[str, bytes]]:
    zipped, tarred, sound = io.BytesIO(), io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as archive:
        archive.writestr(zipfile.ZipInfo("notes.txt"), _PROSE)
    with tarfile.open(fileobj=tarred, mode="w") as tape:
        entry = tarfile.TarInfo("notes.txt")
        entry.size = len(_PROSE)
        tape.addfile(entry, io.BytesIO(_PROSE.encode()))
    with wave.open(sound, "wb") as tone:
        tone.setnchannels(1)
        tone.setsampwidth(2)
        tone.setframerate(8000)
        tone.writeframes((np.sin(np.arange(800) * 0.3) * 9000).astype("<i2").tobytes())
    array = io.BytesIO()
    np.save(array, _VALUES)
    return {
        "PNG": ("dot.png", _png()),
        "PDF": ("page.pdf", b"%PDF-1.7\n1 0 obj\n<< /Type /Catalog >>\nendobj\ntrailer\n<< /Root 1 0 R >>\n%%EOF\n"),
        "ZIP": ("notes.zip", zipped.getvalue()),
        "gzip": ("notes.txt.gz", gzip.compress(_PROSE.encode(), mtime=0)),
        "tar": ("notes.tar", tarred.getvalue()),
        "WAV": ("tone.wav", sound.getvalue()),
        "array of numpy": ("values.npy", array.getvalue()),
        "compiled program": ("tool", b"\x7fELF\x02\x01\x01" + bytes(9) + struct.pack("<HHI", 2, 62, 1) + bytes(200)),
    }


def _png() -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0\x7f")) + chunk(b"IEND", b"")


def _library_files(folder: Path) -> dict[str, Path]:
    import h5py
    import netCDF4
    import openpyxl
    import pyarrow
    import pyarrow.parquet
    import scipy.io
    import soundfile

    files = {
        kind: folder / name
        for kind, name in {
            "FLAC": "tone.flac",
            "netCDF-3": "classic.nc",
            "netCDF-4": "values.nc",
            "HDF5": "values.h5",
            "MATLAB 5": "values.mat",
            "Parquet": "values.parquet",
            "workbook": "values.xlsx",
            "SQLite": "values.sqlite",
        }.items()
    }
    soundfile.write(str(files["FLAC"]), np.sin(np.arange(800) * 0.3) * 0.3, 8000)
    classic = netCDF4.Dataset(files["netCDF-3"], "w", format="NETCDF3_CLASSIC")
    for dataset in (classic, netCDF4.Dataset(files["netCDF-4"], "w")):
        with dataset as file:
            file.createDimension("time", _TIMES.size)
            file.createVariable("volts", "f8", ("time",))[:] = _VALUES
    with h5py.File(files["HDF5"], "w") as file:
        file.create_dataset("volts", data=_VALUES)
    scipy.io.savemat(files["MATLAB 5"], {"volts": _VALUES})
    pyarrow.parquet.write_table(pyarrow.table({"time": _TIMES, "volts": _VALUES}), files["Parquet"])
    book = openpyxl.Workbook()
    book.active.append(["time", "volts"])
    for row in zip(_TIMES.tolist(), _VALUES.tolist(), strict=True):
        book.active.append(row)
    book.save(files["workbook"])
    with sqlite3.connect(files["SQLite"]) as database:
        database.execute("create table volts (time real, value real)")
        database.executemany("insert into volts values (?, ?)", zip(_TIMES.tolist(), _VALUES.tolist(), strict=True))
    database.close()
    return files
