import csv
import io
import json
import random
import struct
import subprocess
import zlib
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.receipts.canonical_json import canonical_json, parse_json
from anechain.receipts.file_formats import format_of
from anechain.receipts.html_receipt import HTML_MARKER
from anechain.receipts.netcdf_receipt import blank_netcdf_receipt, netcdf_digest, netcdf_receipt
from outside_programs import needs_program

FORMATS = {ending: format_of(artefacts.BARE[ending], f"rowan.{ending}") for ending in artefacts.BYTE_FORMATS}

TEXT, VALUES = artefacts.TEXT, artefacts.VALUES
OBJECTS = st.dictionaries(TEXT, VALUES, max_size=4)
RECEIPTS = OBJECTS.map(lambda value: canonical_json(value).decode())

# --- canonical JSON


def double(bits):
    return struct.unpack(">d", bytes.fromhex(bits))[0]


# RFC 8785, Appendix B: IEEE 754 bits and their JSON; recalled, and confirmed below with an ECMAScript engine.
@pytest.mark.parametrize(
    ("bits", "written"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("c340000000000000", "-9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555557", "333333333.33333343"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_of_rfc_8785(bits, written):
    assert canonical_json(double(bits)).decode() == written
    assert canonical_json(parse_json(written)).decode() == written


def test_order_and_escapes_of_rfc_8785():
    # RFC 8785, 3.2.3 and 3.2.2.2: by UTF-16 code units, so 😀 (D83D DE00) comes before דּ (FB33).
    keys = ["€", "\r", "\ufb33", "1", "😀", "\x80", "ö"]
    assert list(json.loads(canonical_json(dict.fromkeys(keys)))) == ["\r", "1", "\x80", "ö", "€", "😀", "\ufb33"]
    assert canonical_json('€$\x0f\nA\'B"\\\\"/') == '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'.encode()


@needs_program("node")
def test_numbers_as_an_ecmascript_engine_writes_them():
    # RFC 8785, 3.2.2.3 defines the form of a number as what ECMAScript's JSON.stringify writes.
    chance = random.Random(8785)
    numbers = [struct.unpack(">d", chance.randbytes(8))[0] for _ in range(3000)]
    numbers += [chance.choice([1, -1]) * chance.uniform(1, 10) * 10.0 ** chance.randint(-12, 24) for _ in range(3000)]
    numbers += [float(f"1e{power}") for power in range(-323, 309)]
    numbers = [number for number in numbers if np.isfinite(number)]
    program = "const t=require('fs').readFileSync(0,'utf8');console.log(JSON.stringify(JSON.parse(t)))"
    done = subprocess.run(
        ["node", "-e", program], input=json.dumps(numbers), capture_output=True, text=True, check=True
    )
    assert canonical_json(numbers).decode() == done.stdout.strip()


@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(1e-10, 1e-3) | st.integers(-(2**53) + 1, 2**53 - 1))
def test_when_pythons_json_does_as_well(number):
    # See docs/reference/receipts.md: on a receipt's text, json.dumps gives the canonical form but for numbers from 1e-9
    # up to 1e-4.
    text = canonical_json({"a": number}).decode()
    same = json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False) == text
    assert same == (not 1e-9 <= abs(number) < 1e-4)


@given(st.dictionaries(TEXT, st.none() | TEXT, min_size=1))
def test_when_pythons_order_of_names_does_as_well(members):
    # And but for names beyond U+FFFF beside names from U+E000 to U+FFFF.
    text = canonical_json(members).decode()
    letters = set("".join(members))
    if not (any(one > "\uffff" for one in letters) and any("\ue000" <= one <= "\uffff" for one in letters)):
        assert json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False) == text


def test_pythons_order_of_names_is_another():
    members = {"\U00010000": 1, "\uffee": 2}
    assert (
        json.dumps(members, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        != canonical_json(members).decode()
    )


@given(OBJECTS)
def test_canonical_form_is_read_back(value):
    assert canonical_json(parse_json(canonical_json(value))) == canonical_json(value)


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "nul", "[1,]", "{'a':1}", "\ufeff{}"),
        *('{"a":1,"a":1}', '{"x":[{"a":1,"b":2,"a":3}]}'),
        *("NaN", "[Infinity]", "-Infinity"),
        *("9007199254740993", "12345678901234567890", "1" + "0" * 400, "9" * 5000),
        *("[" * 100_000, '{"a":' * 100_000),
    ],
)
def test_json_that_readers_could_take_in_two_ways(text):
    with pytest.raises(ValueError):
        parse_json(text)


def test_whole_numbers_that_doubles_keep():
    assert parse_json("9007199254740991") == 2**53 - 1
    assert parse_json("100000000000000000000") == 1e20
    assert parse_json("1152921504606847000") == 2.0**60  # ECMAScript's form of 2 to the 60


def nested(depth):
    value = []
    for _ in range(depth):
        value = [value]
    return value


@pytest.mark.parametrize(
    "value", [float("nan"), [float("-inf")], 2**53, "\ud800", {"\udfff": 1}, {1: 1}, b"", nested(20_000)]
)
def test_values_without_a_canonical_form(value):
    with pytest.raises(ValueError):
        canonical_json(value)


# --- every format: what goes in comes out

XML_TEXT = TEXT.map(
    lambda text: "".join(one for one in text if one.isprintable()).translate({ord(c): None for c in "<>&"})
)


@given(RECEIPTS, XML_TEXT.filter(lambda text: "--" not in text and not text.endswith("-")), XML_TEXT)
def test_svg(text, comment, inside):
    bare = (
        f"<?xml version='1.0'?>\n<!--{comment} <svg> -->\n<!DOCTYPE svg>\n"
        f'<svg xmlns="http://www.w3.org/2000/svg" aria-label="a > b" data-b=\'"/>\'>{inside}<g/></svg>'
    ).encode()
    data = FORMATS["svg"].embed(bare, text)
    assert FORMATS["svg"].split(data) == (bare, text)
    element = ElementTree.fromstring(data)[0]
    assert element.tag == "{http://www.w3.org/2000/svg}metadata" and json.loads(element.text) == json.loads(text)


def png_chunks(data):
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, content = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        assert zlib.crc32(kind + content) == struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0]
        yield kind, content
        at += 12 + length


@given(RECEIPTS, st.binary(max_size=30))
def test_png(text, more):
    bare = artefacts.png()
    private = struct.pack(">I", len(more)) + b"teSt" + more + struct.pack(">I", zlib.crc32(b"teSt" + more))
    bare = bare[:-12] + private + bare[-12:]
    data = FORMATS["png"].embed(bare, text)
    assert FORMATS["png"].split(data) == (bare, text)
    # ISO/IEC 15948, 11.3.4.5: keyword, 0, compression flag, method, language tag, 0, translated keyword, 0, text.
    kinds = dict(png_chunks(data))
    assert list(kinds) == [b"IHDR", b"iTXt", b"IDAT", b"teSt", b"IEND"]
    assert kinds[b"iTXt"] == b"receipt\0" + b"\0\0" + b"\0" + b"\0" + text.encode()


@given(RECEIPTS, st.sampled_from([b"", b"\n", b"\r\n", b"\n\n"]))
def test_pdf(text, end):
    bare = artefacts.pdf(end)
    data = FORMATS["pdf"].embed(bare, text)
    assert data.startswith(bare)
    assert FORMATS["pdf"].split(data) == (bare, text)


def test_pdf_as_others_read_it(tmp_path, caplog):
    from pypdf import PdfReader

    text = canonical_json({"a": "]]> endstream é 😀"}).decode()
    data = FORMATS["pdf"].embed(artefacts.pdf(), text)
    reader = PdfReader(io.BytesIO(data), strict=True)
    assert reader.attachments["receipt.json"] == [text.encode()]
    assert reader.pages[0].mediabox.width == 20
    assert reader.pages[0].get_contents().get_data().strip() == b"0 0 m 20 20 l S"
    assert not caplog.records


@needs_program("pdfdetach")
def test_pdf_as_a_second_reader_detaches_it(tmp_path):
    text = canonical_json({"a": "]]> endstream é 😀"}).decode()
    (tmp_path / "a.pdf").write_bytes(FORMATS["pdf"].embed(artefacts.pdf(), text))
    command = ["pdfdetach", "-save", "1", "-o", "out", "a.pdf"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (tmp_path / "out").read_text(encoding="utf-8") == text


BYTES = st.binary(max_size=60) | st.sampled_from(
    [b"\xef\xbb\xbfa,b\n", b"a\n1", b"a\n\n", b"a\n# receipt\n#: {}\n", b"\n# receipt\n", b"#: {}\n", b"\r"]
)


@given(RECEIPTS, BYTES)
def test_csv(text, bare):
    data = FORMATS["csv"].embed(bare, text)
    assert format_of(data) is FORMATS["csv"]
    assert FORMATS["csv"].split(data) == (bare, text)


@given(RECEIPTS)
def test_the_receipt_of_a_csv_makes_no_columns_and_no_wide_cells(text):
    """Line by line as RFC 4180 parts cells, and as where the decimal comma is, with semicolons or tabs."""
    data = FORMATS["csv"].embed(artefacts.BARE["csv"], text)
    own = [line for line in data.decode("utf-8-sig").split("\n") if line.startswith("#")]
    assert all(len(line) <= 110 for line in own)
    for delimiter in ",;\t":
        rows = list(csv.reader([f"{line}\n" for line in own], delimiter=delimiter))
        assert len(rows) == len(own) and all(len(row) == 1 or (len(row) == 2 and not row[1]) for row in rows)


def table_of(data):
    """Rows of a CSV as a spreadsheet sees them: the mark tells UTF-8, commas part the cells, an empty row ends it."""
    assert data.startswith(b"\xef\xbb\xbf")
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    first = next(number for number, row in enumerate(rows) if not row[0].startswith("#"))
    return rows[first : rows.index([])]


def test_csv_as_others_read_it():
    import pandas

    text = canonical_json(artefacts.receipt()).decode()
    data = FORMATS["csv"].embed(artefacts.BARE["csv"], text)
    lines = [line for line in data.decode("utf-8-sig").split("\n") if not line.startswith("#")]
    assert [float(row["level_dB"]) for row in csv.DictReader(lines)] == pytest.approx(artefacts.LEVELS, abs=1e-4)
    titles, *rows = table_of(data)
    assert titles == ["distance_m", "level_dB"]
    assert [float(row[1]) for row in rows] == pytest.approx(artefacts.LEVELS, abs=1e-4)
    for how in ({"encoding": "utf-8-sig"}, {}):
        frame = pandas.read_csv(io.BytesIO(data), comment="#", **how)
        assert list(frame.columns) == titles and frame["level_dB"].to_list() == pytest.approx(
            artefacts.LEVELS, abs=1e-4
        )
    values = np.loadtxt(io.StringIO(data.decode("utf-8-sig")), delimiter=",", skiprows=2)
    assert values[:, 1].tolist() == pytest.approx(artefacts.LEVELS, abs=1e-4)


def test_what_is_written_behind_the_receipt_of_a_csv_is_content():
    data = FORMATS["csv"].embed(b"a\n1\n", "{}")
    assert FORMATS["csv"].split(data + b"2\n") == (b"a\n1\n2\n", "{}")
    assert FORMATS["csv"].split(data.removeprefix(b"\xef\xbb\xbf")) == (b"a\n1\n", "{}")


def doubles(text):
    """JSON with numbers as nearly all readers take them; Python alone would keep more digits of long integers."""
    return json.loads(text, parse_int=float)


@given(RECEIPTS, OBJECTS)
def test_json(text, document):
    document = {key: value for key, value in document.items() if key not in ("receipt", "usermeta")}
    bare = json.dumps(document).encode()
    data = FORMATS["json"].embed(bare, text)
    assert FORMATS["json"].split(data) == (canonical_json(document), text)
    assert doubles(data) == {**doubles(canonical_json(document)), "receipt": doubles(text)}


@given(RECEIPTS, OBJECTS, st.none() | OBJECTS)
def test_chart(text, document, usermeta):
    document = {key: value for key, value in document.items() if key not in ("receipt", "usermeta")}
    document["$schema"] = "https://vega.github.io/schema/vega-lite/v6.json"
    if usermeta:
        document["usermeta"] = {key: value for key, value in usermeta.items() if key != "receipt"} | {
            "embedOptions": {}
        }
    data = FORMATS["vl.json"].embed(json.dumps(document).encode(), text)
    assert FORMATS["vl.json"].split(data) == (canonical_json(document), text)
    assert doubles(data)["usermeta"]["receipt"] == doubles(text)


def test_an_empty_usermeta_says_nothing():
    chart = {"$schema": "https://vega.github.io/schema/vega-lite/v6.json", "usermeta": {}}
    data = FORMATS["vl.json"].embed(json.dumps(chart).encode(), "{}")
    assert FORMATS["vl.json"].split(data)[0] == FORMATS["vl.json"].split(json.dumps(chart).encode())[0]


class Blocks(HTMLParser):
    def __init__(self):
        super().__init__()
        self.inside, self.found = False, []

    def handle_starttag(self, tag, attrs):
        self.inside = (tag, dict(attrs).get("id"), dict(attrs).get("type")) == (
            "script",
            "receipt",
            "application/ld+json",
        )

    def handle_endtag(self, tag):
        self.inside = False

    def handle_data(self, data):
        if self.inside:
            self.found.append(data)


@given(RECEIPTS, TEXT.filter(lambda text: HTML_MARKER.decode() not in text))
def test_html(text, body):
    bare = b"<!doctype html><head>" + HTML_MARKER + b"</head><pre>" + body.encode() + b"</pre>"
    data = FORMATS["html"].embed(bare, text)
    assert FORMATS["html"].split(data) == (bare, text)
    blocks = Blocks()
    blocks.feed(data.decode())
    blocks.close()
    assert json.loads("".join(blocks.found))["receipt"] == json.loads(text)


@pytest.mark.parametrize("ending", artefacts.BYTE_FORMATS)
def test_a_long_receipt(ending):
    text = canonical_json({"parameters": ["]]></script>&😀" * 20_000] * 2}).decode()
    bare, format_ = artefacts.BARE[ending], FORMATS[ending]
    assert format_.split(format_.embed(bare, text)) == (format_.split(bare)[0], text)


# The layouts are part of the receipt's format: an old file is judged by embedding its receipt anew, so a change here
# would make every published file look altered.
LAYOUTS = {
    "svg": (b"<svg><g/></svg>", b'<svg><metadata id="receipt">{"a":"&lt;&amp;&gt;"}</metadata><g/></svg>'),
    "csv": (
        b"a\n1\n",
        b"\xef\xbb\xbf"
        b'# The receipt follows the table: remove "#: " from its lines and join them into one line of JSON.\n'
        b'a\n1\n\n# receipt\n#: {"a":"<&>"}\n',
    ),
    "json": (b'{"b":20.0}', b'{\n "b": 20,\n "receipt": {\n  "a": "<&>"\n }\n}\n'),
    "vl.json": (
        b'{"$schema":"vega-lite"}',
        b'{\n "$schema": "vega-lite",\n "usermeta": {\n  "receipt": {\n   "a": "<&>"\n  }\n }\n}\n',
    ),
    "html": (
        b"<html><!-- receipt --></html>",
        b'<html><script type="application/ld+json" id="receipt">{"@context":{"@vocab":"http://www.w3.org/ns/prov#"},'
        b'"@type":"Entity","receipt":{"a":"\\u003c&>"}}</script></html>',
    ),
    "pdf": (
        artefacts.pdf(),
        artefacts.pdf() + b"\n"
        b"5 0 obj\n<< /Type /EmbeddedFile /Subtype /application#2Fjson /Length 11 >>\n"
        b'stream\n{"a":"<&>"}\nendstream\nendobj\n'
        b"6 0 obj\n<< /Type /Filespec /F (receipt.json) /UF (receipt.json) /EF << /F 5 0 R >> "
        b"/AFRelationship /Data >>\nendobj\n"
        b"1 0 obj\n<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles << /Names [(receipt.json) 6 0 R] >> >>\n"
        b">>\nendobj\n"
        b"xref\n0 1\n0000000000 65535 f \n1 1\n0000000671 00000 n \n5 2\n0000000446 00000 n \n0000000556 00000 n \n"
        b"trailer\n<< /Size 7 /Root 1 0 R /Prev 282\n>>\nstartxref\n784\n%%EOF\n",
    ),
}


@pytest.mark.parametrize("ending", LAYOUTS)
def test_layouts(ending):
    bare, data = LAYOUTS[ending]
    assert FORMATS[ending].embed(bare, '{"a":"<&>"}') == data


# --- what cannot be


@pytest.mark.parametrize(
    ("ending", "bare"),
    [
        ("svg", b"<p/>"),
        ("svg", b"<svg/>"),
        ("svg", b"<svgs></svgs>"),
        ("svg", b"<!-- <svg> -->"),
        ("pdf", b"%PDF-1.7\n"),
        ("pdf", artefacts.pdf().replace(b"/Root 1", b"/Root 9")),
        ("pdf", artefacts.pdf().replace(b"/Root 1", b"/Prev 9 /Root 1")),
        ("pdf", artefacts.pdf().replace(b"/Catalog", b"/Catalog /Names 3 0 R")),
        ("pdf", FORMATS["pdf"].embed(artefacts.pdf(), "{}")),
        ("json", b"[1]"),
        ("json", b'{"a":1,"a":1}'),
        ("json", b'{"$schema":"vega-lite","usermeta":3}'),
        ("html", b"<html></html>"),
        ("html", HTML_MARKER * 2),
    ],
)
def test_no_room_for_a_receipt(ending, bare):
    with pytest.raises(ValueError):
        FORMATS[ending].embed(bare, "{}")


# --- which format


@pytest.mark.parametrize("ending", artefacts.BYTE_FORMATS)
@pytest.mark.parametrize("name", ["", "rowan", "rowan.txt", "rowan.svg", "rowan.json", "rowan.nc", "ro.csv.gz", ".pdf"])
def test_format_of_a_renamed_file(ending, name):
    data = FORMATS[ending].embed(artefacts.BARE[ending], "{}")
    assert format_of(data, name) is FORMATS[ending]


@pytest.mark.parametrize("ending", artefacts.BYTE_FORMATS)
def test_no_receipt(ending):
    assert FORMATS[ending].split(artefacts.BARE[ending])[1] is None


def test_format_of_others():
    for data in (b"", b"x", b"PK\x03\x04", b"CDF\x01", b"<p>"):
        assert format_of(data, "rowan.xlsx") is None
    assert format_of(b"\xef\xbb\xbf \n<!DOCTYPE HTML>", "").name == "HTML"
    assert format_of(b'<?xml version="1.0"?><svg xmlns="x">', "").name == "SVG"


# --- netCDF


@pytest.fixture
def written(tmp_path):
    return artefacts.write(tmp_path, "nc")


def changed(path, tmp_path, **how):
    """The same dataset through other hands, with something done to it."""
    import xarray as xr

    with xr.open_dataset(path, decode_times=False) as opened:
        dataset = opened.load()
    if "with_" in how:
        how["with_"](dataset)
    target = tmp_path / "again.nc"
    dataset.to_netcdf(target, encoding=how.get("encoding", {}), format=how.get("format", "NETCDF4"))
    return target


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"encoding": {"level": {"zlib": True, "chunksizes": (1, 2)}}},
        {"encoding": {"level": {"dtype": ">f8"}, "distance": {"_FillValue": None}}},
    ],
)
def test_digest_is_of_what_is_said_and_not_of_how(written, tmp_path, how):
    again = changed(written, tmp_path, **how)
    assert again.read_bytes() != written.read_bytes()
    assert netcdf_digest(again) == netcdf_digest(written)


def set_level(value):
    def change(dataset):
        dataset["level"].values[0, 1] = value

    return change


@pytest.mark.parametrize(
    "change",
    [
        set_level(np.nextafter(artefacts.LEVELS[1], 0)),
        set_level(np.nan),
        lambda d: d.attrs.update(drive=2.84),
        lambda d: d.attrs.update(more=""),
        lambda d: d.attrs.pop("notes"),
        lambda d: d["level"].attrs.update(units="dBV"),
        lambda d: d["distance"].attrs.pop("units"),
        lambda d: d.coords.__setitem__("source", ["Föhre"]),
        lambda d: d.__setitem__("level", d["level"].astype("f4")),
        lambda d: d.__setitem__("level", d["level"].transpose()),
        lambda d: d.__setitem__("more", d["level"]),
    ],
)
def test_digest_sees_every_change(written, tmp_path, change):
    assert netcdf_digest(changed(written, tmp_path, with_=change)) != netcdf_digest(written)


def test_digest_sees_a_fill_value_that_hides_a_number(written, tmp_path):
    again = changed(written, tmp_path, encoding={"level": {"_FillValue": artefacts.LEVELS[1]}})
    assert netcdf_digest(again) != netcdf_digest(written)


def test_digest_of_numbers_that_json_has_no_word_for(tmp_path):
    digests = set()
    for number, value in enumerate([np.nan, np.inf, -np.inf, 0.0, np.array([0.0, np.nan])]):
        dataset = artefacts.dataset().assign_attrs(limit=value)
        path = tmp_path / f"{number}.nc"
        dataset.to_netcdf(path)
        digests.add(netcdf_digest(path))
    assert len(digests) == 5


def test_groups_and_types_that_no_output_has(written):
    import netCDF4

    with netCDF4.Dataset(written, "a") as file:
        file.createGroup("hidden").note = "x"
    with pytest.raises(ValueError, match="groups"):
        netcdf_digest(written)


@pytest.mark.parametrize("data", [b"", b"x", b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"\x89HDF\r\n\x1a\n" + bytes(5000)])
def test_junk_is_not_netcdf(tmp_path, data):
    path = tmp_path / "x.nc"
    path.write_bytes(data)
    for read in (netcdf_receipt, netcdf_digest):
        with pytest.raises(ValueError, match="not a readable netCDF file"):
            read(path)


def test_the_receipt_stands_in_the_file_as_it_is(written):
    text, data = netcdf_receipt(written), written.read_bytes()
    assert data.count(text.encode()) == 1
    blanked = blank_netcdf_receipt(data, text)
    assert len(blanked) == len(data) and text.encode() not in blanked
    assert blank_netcdf_receipt(data, "not there") == data
