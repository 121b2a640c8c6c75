"""The archive, read by the standard library and by the common tool, and what must not be unpacked."""

import io
import random
import stat
import subprocess
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.audit import archive
from anechain.audit.archive import Entry, entry_of_bytes, entry_of_file, extract, name_problem, write_archive
from anechain.errors import InputError
from outside_programs import needs_program

FILES = {"a/ü 1.txt": b"84 dB", "README.txt": b"", "b.bin": bytes(range(256)) * 9}


def packed(files):
    target = io.BytesIO()
    write_archive(target, [entry_of_bytes(name, content) for name, content in files.items()])
    return target.getvalue()


def test_the_standard_library_reads_it():
    with zipfile.ZipFile(io.BytesIO(packed(FILES))) as found:
        assert found.testzip() is None
        assert {info.filename: found.read(info) for info in found.infolist()} == FILES
        assert [info.filename for info in found.infolist()] == sorted(FILES)
        assert {info.date_time for info in found.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {oct(info.external_attr >> 16) for info in found.infolist()} == {"0o100644"}


@needs_program("unzip")
@pytest.mark.parametrize("large", [archive._LARGE, 300])
def test_the_common_tool_reads_it(tmp_path, monkeypatch, large):
    monkeypatch.setattr(archive, "_LARGE", large)
    (tmp_path / "a.zip").write_bytes(packed(FILES))
    done = subprocess.run(["unzip", "-tq", tmp_path / "a.zip"], capture_output=True, text=True)
    assert done.returncode == 0 and "No errors" in done.stdout, done.stdout + done.stderr


@pytest.mark.parametrize(("large", "many"), [(300, 0xFFFF), (1, 0xFFFF), (0xFFFFFFFF, 2)])
def test_sizes_beyond_32_bits_stand_in_the_extra_fields(monkeypatch, tmp_path, large, many):
    """The same layout, with the border drawn lower: nobody wants 4 GiB in a test."""
    monkeypatch.setattr(archive, "_LARGE", large)
    monkeypatch.setattr(archive, "_MANY", many)
    data = packed(FILES)
    assert b"PK\x06\x06" in data and b"PK\x06\x07" in data
    with zipfile.ZipFile(io.BytesIO(data)) as found:
        assert {info.filename: found.read(info) for info in found.infolist()} == FILES
    (tmp_path / "a.zip").write_bytes(data)
    assert extract(tmp_path / "a.zip", tmp_path / "out") == sorted(FILES)


names = st.text("abcäß 0.-_", min_size=1, max_size=12).filter(lambda name: not name_problem(name))


@given(st.dictionaries(names, st.binary(max_size=60), max_size=6), st.randoms())
def test_order_does_not_count(files, chance):
    shuffled = list(files.items())
    chance.shuffle(shuffled)
    assert packed(dict(shuffled)) == packed(files)
    with zipfile.ZipFile(io.BytesIO(packed(files))) as found:
        assert {info.filename: found.read(info) for info in found.infolist()} == files


def test_what_is_unpacked_is_what_was_packed(tmp_path):
    source = tmp_path / "source.bin"
    source.write_bytes(b"x" * 3_000_000)
    with (tmp_path / "a.zip").open("wb") as file:
        write_archive(file, [entry_of_file("deep/er/x.bin", source), entry_of_bytes("y", b"1")])
    assert extract(tmp_path / "a.zip", tmp_path / "out") == ["deep/er/x.bin", "y"]
    assert (tmp_path / "out" / "deep" / "er" / "x.bin").read_bytes() == source.read_bytes()


def test_every_flipped_bit_and_every_cut_is_seen(tmp_path):
    data = packed({"a.txt": b"84 dB", "b/c.txt": b"on axis"})
    path = tmp_path / "a.zip"
    for at in range(8 * len(data)):
        flipped = bytearray(data)
        flipped[at // 8] ^= 1 << at % 8
        path.write_bytes(flipped)
        with pytest.raises(InputError):
            extract(path, tmp_path / f"bit-{at}")
    for length in range(len(data)):
        path.write_bytes(data[:length])
        with pytest.raises(InputError):
            extract(path, tmp_path / f"cut-{length}")
    for more in (b"\0", data):
        path.write_bytes(data + more)
        with pytest.raises(InputError):
            extract(path, tmp_path / f"more-{len(more)}")
    path.write_bytes(data)
    extract(path, tmp_path / "whole")


def test_a_file_that_changes_while_it_is_read(tmp_path):
    entry = Entry("a.txt", 5, entry_of_bytes("a.txt", b"84 dB").crc, lambda: io.BytesIO(b"85 dB"))
    with pytest.raises(InputError, match="changed while it was read"):
        write_archive(io.BytesIO(), [entry])


# What must not be unpacked


def hostile(tmp_path, *files, compression=zipfile.ZIP_STORED, mode=stat.S_IFREG | 0o644):
    path = tmp_path / "hostile.zip"
    with zipfile.ZipFile(path, "w", compression) as target:
        for name, content in files:
            info = zipfile.ZipInfo(name)
            info.external_attr = mode << 16
            target.writestr(info, content, compress_type=compression)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError) as caught:
        extract(path, tmp_path / "out")
    assert sorted(tmp_path.rglob("*")) == before, "something was written"
    return caught.value.problems


@pytest.mark.parametrize(
    "name",
    [
        "../x",
        "/x",
        "a/../../x",
        "a//x",
        "./x",
        "a/./x",
        "c:x",
        "..\\x",
        "a\nb",
        "folder/",
        "x\u202etxt.exe",
        "n" * 300,
    ],
)
def test_names_that_lead_elsewhere(tmp_path, name):
    (problem,) = hostile(tmp_path, (name, b"x"))
    assert name_problem(name) and problem.fix == "do not unpack this archive"


def test_links(tmp_path):
    (problem,) = hostile(tmp_path, ("link", b"/etc/passwd"), mode=stat.S_IFLNK | 0o777)
    assert problem.what == "is not a plain file"


def test_a_bomb(tmp_path):
    problems = hostile(tmp_path, ("zeros", bytes(10_000_000)), compression=zipfile.ZIP_DEFLATED)
    assert problems[0].what == "is compressed or encrypted"


def test_entries_that_share_their_bytes(tmp_path):
    """Many entries that all point at one content would unpack to many times the archive's size."""
    data = packed({"a": bytes(3000), "b": bytes(3000), "c": bytes(3000)})
    at = [index for index in range(len(data)) if data.startswith(b"PK\x01\x02", index)]
    for place in at:  # all offsets to the first, and its name, so that names agree
        data = data[: place + 42] + bytes(4) + data[place + 46 :]
    data = data.replace(data[: at[0]], data[: at[0] // 3])
    path = tmp_path / "overlap.zip"
    path.write_bytes(data)
    with pytest.raises(InputError):
        extract(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("other", ["A.TXT", "a.txt/b"])
def test_names_that_are_one_on_some_systems(tmp_path, other):
    assert any("the same file on some systems" in one.what for one in hostile(tmp_path, ("a.txt", b"1"), (other, b"2")))


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name(tmp_path):
    assert any("two files" in one.what for one in hostile(tmp_path, ("a", b"1"), ("a", b"2")))


def test_an_archive_of_other_software(tmp_path):
    path = tmp_path / "other.zip"
    with zipfile.ZipFile(path, "w") as target:
        target.writestr("a.txt", b"84 dB")
    with pytest.raises(InputError, match="packed again by other software"):
        extract(path, tmp_path / "out")


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x05\x06" + bytes(18), random.Random(1).randbytes(5000)])
def test_what_is_no_archive(tmp_path, content):
    (tmp_path / "a.zip").write_bytes(content)
    if content.startswith(b"PK"):  # an archive, though of nothing
        assert extract(tmp_path / "a.zip", tmp_path / "out") == []
        return
    with pytest.raises(InputError, match="is not a complete archive"):
        extract(tmp_path / "a.zip", tmp_path / "out")


def test_what_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match="cannot be read or unpacked"):
        extract(tmp_path / "none.zip", tmp_path / "out")


@pytest.mark.parametrize("names", [["a", "a"], ["../a"], ["a\\b"]])
def test_names_that_are_never_written(names):
    with pytest.raises(ValueError, match="different plain paths"):
        write_archive(io.BytesIO(), [entry_of_bytes(name, b"") for name in names])
