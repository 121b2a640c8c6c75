import contextlib
import errno
import hashlib
import io
import json
import os
import re
import resource
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from xml.dom import minidom

import numpy as np
import pytest

import receipt_artefacts as artefacts
from anechain.data.store import (
    check_receipt,
    is_current,
    read_dataset,
    read_receipt,
    replace_atomically,
    sha256_file,
    write_artefact,
    write_dataset,
    write_if_changed,
)
from anechain.errors import InputError
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.file_formats import format_of
from anechain.receipts.netcdf_receipt import netcdf_receipt
from anechain.receipts.receipt import check_form, seal_of

CONTENT = "the content does not match the receipt"
AGAIN = "the file was rewritten by other software"
SEAL = "the receipt was altered: its seal does not match"
NONE = "the file carries no receipt"


def receipt_text(path):
    data = path.read_bytes()
    return netcdf_receipt(path) if path.suffix == ".nc" else format_of(data, path.name).split(data)[1]


def put_receipt(path, receipt):
    """Put another receipt into an output, as a forger with our own tools would."""
    text = canonical_json(receipt).decode()
    if path.suffix == ".nc":
        import netCDF4

        with netCDF4.Dataset(path, "a") as file:
            file.setncattr_string("receipt", text)
    else:
        format_ = format_of(path.read_bytes(), path.name)
        path.write_bytes(format_.embed(format_.split(path.read_bytes())[0], text))


def wrong(path):
    """What examine says; it may refuse, and must not raise anything else."""
    try:
        examined = check_receipt(path)
    except InputError as input_error:
        return (str(input_error),)
    assert examined.receipt is None or check_form(examined.receipt) == []
    return examined.wrong


@pytest.fixture(params=artefacts.FORMATS)
def output(request, tmp_path):
    return artefacts.write(tmp_path, request.param)


def with_bytes(path, data, name="changed"):
    target = path.with_name(f"{name}{''.join(path.suffixes)}")
    target.write_bytes(data)
    return target


# --- intact


def test_an_intact_output(output):
    examined = check_receipt(output)
    assert examined.wrong == () and examined.carrier
    assert examined.receipt["stamp"] == artefacts.receipt()["stamp"]
    assert read_receipt(output) == examined.receipt


@pytest.mark.parametrize(
    "name", ["rowan", "rowan.txt", "rowan.csv.bak", "a b.svg", "x.json", "x.nc", "x.png", "Föhre 😀"]
)
def test_a_renamed_output(output, name):
    renamed = output.with_name(name) if output.name != name else output
    renamed.write_bytes(output.read_bytes())
    assert check_receipt(renamed) == check_receipt(output)


def test_an_output_of_the_real_renderer(tmp_path):
    import vl_convert

    svg = artefacts.BARE["svg"].decode()
    for ending, bare in (("png", vl_convert.svg_to_png(svg)), ("pdf", vl_convert.svg_to_pdf(svg))):
        path = artefacts.write(tmp_path, ending, bare=bytes(bare))
        assert check_receipt(path).wrong == ()
        format_ = format_of(path.read_bytes())
        assert format_.split(path.read_bytes())[0] == bytes(bare)


# --- damaged


def stays_the_same(ending, before, after):
    """Only JSON has places where a change changes nothing; its reader here is the standard library's, not ours."""
    if ending not in ("json", "vl.json"):
        return False
    try:
        return json.loads(before) == json.loads(after)
    except ValueError:
        return False


@pytest.mark.parametrize("ending", artefacts.BYTE_FORMATS)
def test_bytes_flipped(tmp_path, ending):
    path = artefacts.write(tmp_path, ending)
    data = path.read_bytes()
    changed = tmp_path / f"changed.{ending}"
    unseen = []
    for at in range(0, len(data), 2 if ending == "pdf" else 1):
        flipped = bytearray(data)
        flipped[at] ^= 1 << (at * 5 % 8)
        changed.write_bytes(flipped)
        if not wrong(changed) and not stays_the_same(ending, data, bytes(flipped)):
            unseen.append(at)
    assert unseen == []


def test_bytes_of_netcdf_flipped(tmp_path):
    path = artefacts.write(tmp_path, "nc")
    data = path.read_bytes()
    changed = tmp_path / "changed.nc"
    unseen = []
    for at in [*range(0, len(data), 23), *range(100), *range(len(data) - 50, len(data))]:
        flipped = bytearray(data)
        flipped[at] ^= 1 << (at * 5 % 8)
        changed.write_bytes(flipped)
        if not wrong(changed):
            unseen.append(at)
    assert unseen == []


@pytest.mark.parametrize("ending", artefacts.FORMATS)
def test_cut_short_anywhere(tmp_path, ending):
    path = artefacts.write(tmp_path, ending)
    data = path.read_bytes()
    changed = tmp_path / f"changed.{ending}"
    step = {"nc": 97, "pdf": 5}.get(ending, 3)
    for length in range(0, len(data), step):
        changed.write_bytes(data[:length])
        assert wrong(changed) or stays_the_same(ending, data, data[:length])


@pytest.mark.parametrize("more", [b"\0", b"x", b"\n", b"0" * 100])
def test_something_added_behind(output, more):
    changed = with_bytes(output, output.read_bytes() + more)
    assert wrong(changed) or stays_the_same(output.name.partition(".")[2], output.read_bytes(), changed.read_bytes())


# --- rewritten by other software


def test_png_packed_anew(tmp_path):
    path = artefacts.write(tmp_path, "png")
    data = path.read_bytes()
    at = data.index(b"IDAT")
    (length,) = struct.unpack(">I", data[at - 4 : at])
    packed = b"IDAT" + zlib.compress(zlib.decompress(data[at + 4 : at + 4 + length]), 0)
    chunk = struct.pack(">I", len(packed) - 4) + packed + struct.pack(">I", zlib.crc32(packed))
    assert check_receipt(with_bytes(path, data[: at - 4] + chunk + data[at + 8 + length :])).wrong == (CONTENT,)


def test_png_through_an_image_library(tmp_path):
    """Pillow keeps neither the text chunks nor the bytes of the compressed pixels."""
    from PIL import Image

    path = artefacts.write(tmp_path, "png")
    with Image.open(path) as picture:
        picture.save(tmp_path / "again.png")
    assert check_receipt(tmp_path / "again.png").wrong


def test_png_with_its_receipt_moved(tmp_path):
    path = artefacts.write(tmp_path, "png")
    data = path.read_bytes()
    (length,) = struct.unpack(">I", data[33:37])
    chunk = data[33 : 45 + length]
    moved = data[:33] + data[45 + length : -12] + chunk + data[-12:]
    (said,) = check_receipt(with_bytes(path, moved)).wrong
    assert said.startswith(AGAIN)


def test_pdf_through_a_library(tmp_path):
    from pypdf import PdfWriter

    path = artefacts.write(tmp_path, "pdf")
    out = io.BytesIO()
    PdfWriter(clone_from=io.BytesIO(path.read_bytes())).write(out)
    examined = check_receipt(with_bytes(path, out.getvalue()))
    assert examined.wrong == (CONTENT, AGAIN)
    assert examined.receipt == read_receipt(path)


def test_pdf_with_something_drawn_over_it(tmp_path):
    # A later update can replace every object and leaves the bytes before it as they are.
    path = artefacts.write(tmp_path, "pdf")
    data = path.read_bytes()
    stroke = b"4 0 obj\n<< /Length 15 >>\nstream\n0 9 m 20 20 l S\nendstream\nendobj\n"
    at = int(re.findall(rb"startxref\n(\d+)", data)[-1])
    table = b"xref\n4 1\n%010d 00000 n \ntrailer\n<< /Size 7 /Root 1 0 R /Prev %d >>\n" % (len(data), at)
    end = b"startxref\n%d\n%%%%EOF\n" % (len(data) + len(stroke))
    assert CONTENT in check_receipt(with_bytes(path, data + stroke + table + end)).wrong


def test_svg_indented_anew(tmp_path):
    path = artefacts.write(tmp_path, "svg")
    pretty = minidom.parseString(path.read_bytes()).toprettyxml(indent="  ").encode()
    assert CONTENT in check_receipt(with_bytes(path, pretty)).wrong


@pytest.mark.parametrize("ending", ["json", "vl.json"])
@pytest.mark.parametrize(
    "layout", [{"sort_keys": True}, {"indent": 7}, {"separators": (",", ":")}, {"ensure_ascii": True}]
)
def test_json_laid_out_anew_is_intact(tmp_path, ending, layout):
    path = artefacts.write(tmp_path, ending)
    document = json.loads(path.read_bytes())
    reversed_ = dict(reversed(document.items()))
    again = with_bytes(path, b"\xef\xbb\xbf\n" * (ending == "x") + json.dumps(reversed_, **layout).encode())
    assert again.read_bytes() != path.read_bytes()
    assert check_receipt(again).wrong == ()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b'"unit": "dB"', b'"unit": "dBV"', CONTENT),
        (b'"gap": null', b'"gap": 0', CONTENT),
        (b'"gap": null', b'"gap": null, "gap": null', "damaged"),
        (b'"gap": null', b'"gap": NaN', "damaged"),
        (b'"gap": null', b'"gap": 12345678901234567890', "damaged"),
        (b'"receipt"', b'"receipts"', NONE),
        (b'"receipt"', b'"receipt": {}, "receipt"', "damaged"),
        (b'"receipt"', b'"usermeta": {"receipt": {}}, "receipt"', CONTENT),
        (b'"gap": null', b'"gap": ' + b"[" * 100_000, "damaged"),
    ],
)
def test_json_edited(tmp_path, old, new, said):
    path = artefacts.write(tmp_path, "json")
    data = path.read_bytes()
    assert old in data
    assert said in str(check_receipt(with_bytes(path, data.replace(old, new, 1))).wrong)


def test_csv_through_a_spreadsheet(tmp_path):
    path = artefacts.write(tmp_path, "csv")
    data = path.read_bytes()
    assert check_receipt(with_bytes(path, data.replace(b"\n", b"\r\n"))).wrong == (CONTENT, AGAIN)
    (said,) = check_receipt(with_bytes(path, data.removeprefix(b"\xef\xbb\xbf"))).wrong
    assert said.startswith(AGAIN)
    assert CONTENT in check_receipt(with_bytes(path, data + b"8,61.9382\n")).wrong
    assert check_receipt(with_bytes(path, data.removeprefix(b"\xef\xbb\xbf"), "plain")).receipt == read_receipt(path)


@pytest.mark.parametrize(("ending", "old", "new"), [("csv", b"73.9794", b"74.9794"), ("html", b"80 dB", b"81 dB")])
def test_a_number_edited(tmp_path, ending, old, new):
    path = artefacts.write(tmp_path, ending)
    assert path.read_bytes().count(old) == 1
    assert check_receipt(with_bytes(path, path.read_bytes().replace(old, new))).wrong == (CONTENT,)


def netcdf_again(path, change=lambda dataset: dataset, **how):
    import xarray as xr

    with xr.open_dataset(path, decode_times=False) as opened:
        dataset = change(opened.load())
    target = path.with_name("again.nc")
    dataset.to_netcdf(target, **how)
    return target


def test_netcdf_written_again(tmp_path):
    path = artefacts.write(tmp_path, "nc")
    for how in ({}, {"encoding": {"level": {"zlib": True}}}):
        (said,) = check_receipt(netcdf_again(path, **how)).wrong
        assert said.startswith(AGAIN)


def test_netcdf_with_another_value(tmp_path):
    path = artefacts.write(tmp_path, "nc")
    again = netcdf_again(path, lambda dataset: dataset.assign(level=dataset["level"] + 0.5))
    assert check_receipt(again).wrong == (CONTENT,)


def test_netcdf_edited_in_place(tmp_path):
    import netCDF4

    path = artefacts.write(tmp_path, "nc")
    with netCDF4.Dataset(path, "a") as file:
        file["level"][0, 0] = 90.0
    assert check_receipt(path).wrong == (CONTENT,)


# --- forged


@pytest.mark.parametrize("member", ["software", "made_by", "parameters", "content"])
def test_a_receipt_edited_in_its_place(output, member):
    receipt = json.loads(receipt_text(output))
    step = receipt["steps"][receipt["stamp"]]
    if member == "software":
        step["software"]["anechain"] = "99"
    elif member == "made_by":
        step["made_by"] = {"a.nc": receipt["stamp"]}
    elif member == "parameters":
        step["parameters"]["smoothing"] = 1
    else:
        receipt["content"] = "0" * 64
    put_receipt(output, receipt)
    assert SEAL in check_receipt(output).wrong
    assert (CONTENT in check_receipt(output).wrong) == (member == "content")
    with pytest.raises(InputError):
        read_receipt(output)
    receipt["seal"] = seal_of(receipt)
    put_receipt(output, receipt)
    said = check_receipt(output).wrong
    # A new seal hides only what neither a stamp nor the content speaks of; hashes do not say who made them. A netCDF
    # file holds, in addition, the hash of its own bytes.
    assert bool(said) == (member != "software" or output.suffix == ".nc")


def test_receipts_swapped_between_two_outputs(tmp_path):
    for ending in artefacts.FORMATS:
        one = artefacts.write(tmp_path / "one", ending)
        if ending == "nc":
            other = artefacts.write(tmp_path / "other", ending, bare=artefacts.dataset().assign_attrs(notes="other"))
        else:
            bare = artefacts.BARE[ending]
            for old, new in ((b"9", b"8"), (b"73.9", b"73.8"), (b"80", b"81"), (b"IDAT", b"IDAU"), (b"0 m", b"1 m")):
                bare = bare.replace(old, new, 1) if ending != "pdf" or old == b"0 m" else bare
            other = artefacts.write(tmp_path / "other", ending, bare=bare)
        assert check_receipt(one).wrong == check_receipt(other).wrong == ()
        receipts = read_receipt(one), read_receipt(other)
        assert receipts[0]["stamp"] == receipts[1]["stamp"] and receipts[0]["content"] != receipts[1]["content"]
        put_receipt(one, receipts[1])
        put_receipt(other, receipts[0])
        assert CONTENT in check_receipt(one).wrong and CONTENT in check_receipt(other).wrong, ending


@pytest.mark.parametrize("ending", ["svg", "png", "csv"])
def test_two_receipts(tmp_path, ending):
    path = artefacts.write(tmp_path, ending)
    data, text = path.read_bytes(), receipt_text(path)
    twice = with_bytes(path, format_of(data).embed(data, text))
    assert CONTENT in check_receipt(twice).wrong


def test_an_output_gets_no_second_receipt(output):
    if output.suffix == ".nc":
        before = output.read_bytes()
        write_dataset(output, read_dataset(output), artefacts.receipt())
        assert output.read_bytes() == before
    else:
        with pytest.raises(ValueError, match="already has a receipt"):
            write_artefact(output, output.read_bytes(), artefacts.receipt())


BOMBS = {
    "deep lists": '{"receipt":1,"steps":' + "[" * 50_000 + "]" * 50_000 + "}",
    "deep objects": '{"receipt":1,"steps":' + '{"a":' * 50_000 + "1" + "}" * 50_000 + "}",
    "less deep": '{"receipt":1,"steps":' + "[" * 900 + "]" * 900 + "}",
    "digits": '{"receipt":' + "9" * 20_000 + "}",
    "exponent": '{"receipt":1e99999}',
    "half a character": '{"receipt":1,"stamp":"\\ud800"}',
    "a list": "[1]",
    "a word": '"receipt"',
    "another format": '{"receipt":2}',
    "nothing": "{}",
}


@pytest.mark.parametrize("bomb", BOMBS)
def test_hostile_receipts(output, bomb):
    text = BOMBS[bomb]
    before, data = receipt_text(output).encode(), output.read_bytes()
    if output.suffix == ".nc":
        import netCDF4

        with netCDF4.Dataset(output, "a") as file:
            file.setncattr_string("receipt", text)
    elif output.name.endswith("json"):
        holder = b'{"usermeta":{"receipt":%s}}' if output.name.endswith("vl.json") else b'{"receipt":%s}'
        output.write_bytes(holder % text.encode())
    elif output.suffix == ".html":
        start = data.index(b'id="receipt">') + len(b'id="receipt">')
        output.write_bytes(data[:start] + b'{"receipt":' + text.encode() + b"}" + data[data.index(b"</script>") :])
    else:
        format_ = format_of(data)
        assert before
        output.write_bytes(format_.embed(format_.split(data)[0], text))
    examined = check_receipt(output)
    assert examined.wrong and examined.receipt is None


@pytest.mark.parametrize("name", ["x.svg", "x.png", "x.pdf", "x.csv", "x.json", "x.html", "x.nc", "x", "x.doc"])
@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\0",
        b"{",
        b"%PDF-",
        b"<svg",
        b"<html>",
        b"\x89PNG\r\n\x1a\n",
        b"\x89HDF\r\n\x1a\n",
        b"CDF\x01",
        b"\xff" * 99,
    ],
)
def test_junk(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    assert wrong(path)
    assert not is_current(path, artefacts.receipt()["stamp"])


def test_what_cannot_be_opened(tmp_path):
    for path in (tmp_path, tmp_path / "missing.csv", tmp_path / ("x" * 400)):
        with pytest.raises(InputError) as input_error:
            check_receipt(path)
        assert str(path) in str(input_error.value) and "cannot be read" in str(input_error.value)


# --- current


def test_current(output):
    stamp = artefacts.receipt()["stamp"]
    assert is_current(output, stamp)
    assert not is_current(output, artefacts.receipt(rear_wall="nineteen")["stamp"])
    assert not is_current(output.with_name("missing"), stamp)
    assert not is_current(output.parent, stamp)
    data = output.read_bytes()
    output.write_bytes(data[: len(data) // 2])
    assert not is_current(output, stamp)


def test_a_stamp_of_an_earlier_step_is_not_the_outputs(output):
    earlier = next(iter(artefacts.receipt()["steps"]))
    assert earlier != artefacts.receipt()["stamp"] and not is_current(output, earlier)


# --- reading


def test_a_dataset_comes_back(tmp_path):
    dataset = read_dataset(artefacts.write(tmp_path, "nc"))
    dataset.attrs.pop("receipt")
    assert dataset.identical(artefacts.dataset().assign_coords(source=dataset["source"]))
    assert list(dataset["source"].values) == ["Föhre 😀"]


def test_junk_is_no_dataset(tmp_path):
    good = artefacts.write(tmp_path, "nc").read_bytes()
    junk = [b"", b"x", b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x05" + b"\xff" * 99, good[: len(good) // 2], good[:-1]]
    for number, data in enumerate(junk):
        path = tmp_path / f"{number}.nc"
        path.write_bytes(data)
        with pytest.raises(InputError, match="cannot be read"):
            read_dataset(path)
    for path in (tmp_path, tmp_path / "missing.nc"):
        with pytest.raises(InputError, match="cannot be read"):
            read_dataset(path)


def test_damaged_datasets_are_read_or_refused(tmp_path):
    good = artefacts.write(tmp_path, "nc").read_bytes()
    path = tmp_path / "changed.nc"
    for at in range(0, len(good), 97):
        flipped = bytearray(good)
        flipped[at] ^= 1 << (at % 8)
        path.write_bytes(flipped)
        with contextlib.suppress(InputError):
            read_dataset(path)


# --- writing


@contextlib.contextmanager
def failing(monkeypatch, where):
    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def half(path, data):
        with path.open("wb") as file:
            file.write(data[: len(data) // 2])
        full()

    with monkeypatch.context() as patch:
        if where == "write":
            patch.setattr(Path, "write_bytes", half)
        else:
            patch.setattr(os, where, full)
        yield


@pytest.mark.parametrize("where", ["write", "fsync", "replace"])
@pytest.mark.parametrize("there", [True, False])
def test_a_full_disk_leaves_what_was_there(tmp_path, monkeypatch, ending_of_writer, where, there):
    path = tmp_path / f"rowan.{ending_of_writer}"
    if there:
        artefacts.write(tmp_path, ending_of_writer)
    before = path.read_bytes() if there else None
    with failing(monkeypatch, where), pytest.raises(InputError) as input_error:
        artefacts.write(tmp_path, ending_of_writer, given=artefacts.receipt(rear_wall="nineteen"))
    assert str(path) in str(input_error.value) and "No space left on device" in str(input_error.value)
    assert [one.name for one in tmp_path.iterdir()] == ([path.name] if there else [])
    if there:
        assert path.read_bytes() == before


@pytest.fixture(params=["nc", "csv", "pdf"])
def ending_of_writer(request):
    return request.param


def test_a_file_system_without_room(tmp_path, ending_of_writer):
    """A limit on the size of files stands for the full disk, in the C libraries as well."""
    path = artefacts.write(tmp_path, ending_of_writer)
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    for size in range(0, len(before), len(before) // 7):
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, limits[1]))
        try:
            with pytest.raises(InputError, match="cannot be written"):
                artefacts.write(tmp_path, ending_of_writer)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]


def test_an_interruption_leaves_what_was_there(tmp_path):
    path = tmp_path / "a"
    path.write_text("before")
    with pytest.raises(KeyboardInterrupt), replace_atomically(path) as temporary:
        temporary.write_text("half")
        raise KeyboardInterrupt
    assert path.read_text() == "before" and list(tmp_path.iterdir()) == [path]


def test_a_file_system_that_cannot_flush_a_folder(tmp_path, monkeypatch):
    whole = os.fsync

    def files_only(handle):
        if os.path.isdir(f"/proc/self/fd/{handle}"):  # noqa: PTH112
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        whole(handle)

    monkeypatch.setattr(os, "fsync", files_only)
    write_if_changed(tmp_path / "a", b"x")
    assert (tmp_path / "a").read_bytes() == b"x" and len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(("mask", "rights"), [(0o022, 0o644), (0o027, 0o640), (0o002, 0o664), (0o077, 0o600)])
def test_rights_are_those_of_new_files(tmp_path, ending_of_writer, mask, rights):
    before = os.umask(mask)
    try:
        path = artefacts.write(tmp_path, ending_of_writer)
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == rights


def test_a_missing_folder_is_made(tmp_path, ending_of_writer):
    assert check_receipt(artefacts.write(tmp_path / "a" / "b ü", ending_of_writer)).wrong == ()


def test_places_that_cannot_be_written(tmp_path, ending_of_writer):
    (tmp_path / f"rowan.{ending_of_writer}").mkdir()
    (tmp_path / "file").write_text("x")
    for folder in (tmp_path, tmp_path / "file"):
        with pytest.raises(InputError, match="cannot be written"):
            artefacts.write(folder, ending_of_writer)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(["file", f"rowan.{ending_of_writer}"])


def test_the_longest_name_that_a_file_may_have(tmp_path):
    write_if_changed(tmp_path / ("ü" * 127), b"x")
    assert len(list(tmp_path.iterdir())) == 1


def test_an_unchanged_file_keeps_its_date(tmp_path):
    path = tmp_path / "a"
    write_if_changed(path, b"x")
    os.utime(path, (1, 1))
    write_if_changed(path, b"x")
    assert path.stat().st_mtime == 1
    write_if_changed(path, b"y")
    assert path.stat().st_mtime > 1 and path.read_bytes() == b"y"


def test_outputs_that_cannot_carry_a_receipt(tmp_path):
    for name, bare in [
        ("a.txt", b"x"),
        ("a.json", b"[1]"),
        ("a.svg", b"<svg/>"),
        ("a.csv", b"{\n"),
        ("a.html", b"<html>"),
    ]:
        with pytest.raises(ValueError):
            write_artefact(tmp_path / name, bare, artefacts.receipt())
    with pytest.raises(ValueError, match="read back"):  # could not be known for what it is under another name
        write_artefact(tmp_path / "a.svg", b"<!-- a --><svg></svg>", artefacts.receipt())
    assert list(tmp_path.iterdir()) == []


def test_hash_of_a_file(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    # FIPS 180-4's example, as NIST publishes it.
    assert sha256_file(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# --- the same bytes


def test_encoding_of_an_earlier_file_does_not_count(tmp_path):
    path = artefacts.write(tmp_path, "nc")
    again = netcdf_again(path, encoding={"level": {"zlib": True, "chunksizes": (1, 1)}}, unlimited_dims=["distance"])
    assert again.read_bytes() != path.read_bytes()
    write_dataset(tmp_path / "third.nc", read_dataset(again), artefacts.receipt())
    assert (tmp_path / "third.nc").read_bytes() == path.read_bytes()


def test_a_dataset_given_is_not_changed(tmp_path):
    dataset = artefacts.dataset().assign_attrs(receipt="old")
    dataset["level"].encoding["zlib"] = True
    write_dataset(tmp_path / "a.nc", dataset, artefacts.receipt())
    assert dataset.attrs["receipt"] == "old" and dataset["level"].encoding == {"zlib": True}
    assert check_receipt(tmp_path / "a.nc").wrong == ()


def test_the_same_bytes_in_another_process(tmp_path):
    program = "import sys, pathlib, receipt_artefacts as a; [a.write(pathlib.Path(sys.argv[1]), e) for e in a.FORMATS]"
    surroundings = [
        {"PYTHONHASHSEED": "1", "TZ": "UTC", "LC_ALL": "C", "USER": "rowan", "HOME": "/nowhere"},
        {"PYTHONHASHSEED": "2", "TZ": "Asia/Kathmandu", "LC_ALL": "C.UTF-8", "USER": "alder", "COLUMNS": "40"},
    ]
    found = []
    for number, surrounding in enumerate(surroundings):
        folder, cwd = tmp_path / f"out{number}", tmp_path / f"cwd{number}"
        cwd.mkdir()
        environment = {
            **os.environ,
            **surrounding,
            "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path]),
        }
        subprocess.run([sys.executable, "-c", program, str(folder)], cwd=cwd, env=environment, check=True)
        found.append({one.name: hashlib.sha256(one.read_bytes()).hexdigest() for one in folder.iterdir()})
    here = {path.name: sha256_file(path) for path in (artefacts.write(tmp_path / "here", e) for e in artefacts.FORMATS)}
    assert found[0] == found[1] == here and len(here) == len(artefacts.FORMATS)


def test_nothing_of_the_surroundings_is_inside(output):
    data = output.read_bytes()
    for word in (os.uname().nodename, str(output.parent), "/tmp/", str(Path.home()) + "/"):
        assert word.encode() not in data


def test_values_are_kept_to_the_bit(tmp_path):
    values = np.array([[0.1, -0.0, np.nan]])
    path = artefacts.write(tmp_path, "nc", bare=artefacts.dataset().assign(level=(("source", "distance"), values)))
    assert read_dataset(path)["level"].values.tobytes() == values.tobytes()
