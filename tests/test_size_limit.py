"""Small files that declare, or unpack to, much more than their size: refused before the values are read."""

import io
import struct
import tracemalloc
import zipfile
import zlib

import h5py
import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import soundfile

from anechain.errors import InputError
from anechain.importing.containers import open_container
from anechain.importing.size_limit import DEFAULT_GB, check_size, size_limit
from anechain_capture.sound_files import read_header, read_samples
from anechain_tables.options import TablesOptions
from anechain_tables.sheets import open_sheets

MEGABYTES = 1e6


def hdf5(path):
    with h5py.File(path, "w") as file:
        file.create_dataset("level", (40_000, 40_000), "f8", chunks=(1000, 1000), compression="gzip")
    with open_container(path, path.name) as container:
        container.numbers("level", "level")


def matlab_5(path):
    """A compressed element of 3 GB of zeros, of which the first megabyte is there (MAT-File Format, miCOMPRESSED)."""
    packed = zlib.compress(struct.pack("<II", 14, 3_000_000_000) + bytes(1_000_000))
    header = b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM"
    path.write_bytes(header + struct.pack("<II", 15, len(packed)) + packed)
    with open_container(path, path.name):
        pass


def parquet(path):
    """A column of 3 x 10^8 equal numbers in a few kilobytes."""
    ones = pa.array(np.ones(1_000_000))
    with pq.ParquetWriter(path, pa.schema([("frequency", pa.float64())])) as writer:
        for _ in range(300):
            writer.write_table(pa.table({"frequency": ones}), row_group_size=1_000_000)
    open_sheets(path, path.name, TablesOptions(plane="horizontal"))


def workbook(path):
    """A sheet that unpacks to 600 MB."""
    book = openpyxl.Workbook()
    book.active.append(["frequency", "level"])
    plain = io.BytesIO()
    book.save(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
        with new.open("xl/media/blank.bin", "w", force_zip64=True) as member:
            for _ in range(600):
                member.write(bytes(1_000_000))
    open_sheets(path, path.name, TablesOptions(plane="horizontal"))


def flac(path):
    """Silence of 10^7 samples in 8 channels, read with a limit of 0.5 GB."""
    soundfile.write(path, np.zeros((10_000_000, 8), np.int16), 48_000, format="FLAC", subtype="PCM_16")
    with size_limit(0.5):
        read_samples(path, path.name, read_header(path, path.name), [1])


@pytest.mark.parametrize("read", [hdf5, matlab_5, parquet, workbook, flac], ids=lambda read: read.__name__)
def test_a_small_file_with_many_values_is_refused_before_it_is_read(tmp_path, read):
    path = tmp_path / f"rowan.{read.__name__}"
    with pytest.raises(InputError, match=r"its values need .* GB of memory") as caught:
        read(path)
    message = str(caught.value)
    assert path.name in message and "largest_file" in message
    assert path.stat().st_size < 10 * MEGABYTES


def test_the_header_alone_is_read(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("level", (40_000, 40_000), "f8", chunks=(1000, 1000))
    tracemalloc.start()
    with open_container(path, path.name) as container, pytest.raises(InputError):
        container.numbers("level", "level")
    assert tracemalloc.get_traced_memory()[1] < 20 * MEGABYTES
    tracemalloc.stop()


def test_the_limit_holds_inside_its_block_only():
    check_size("a", DEFAULT_GB * 1e9)
    with size_limit(0.001):
        check_size("a", 1e6)
        with pytest.raises(InputError, match=r"a: its values need 0.0011 GB of memory\n.*at most 0.001 GB"):
            check_size("a", 1.1e6)
    check_size("a", 1.1e6)
    with pytest.raises(InputError):
        check_size("a", np.inf)
