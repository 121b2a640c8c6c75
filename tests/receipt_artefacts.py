"""One small output of each format, made without the product, and receipts to put into them, harmless and not."""

import json
import struct
import zlib
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from anechain.data.store import write_artefact, write_dataset
from anechain.receipts.receipt import Input, make_receipt, seal_receipt

FORMATS = ("svg", "png", "pdf", "csv", "json", "vl.json", "html", "nc")
BYTE_FORMATS = tuple(ending for ending in FORMATS if ending != "nc")

# A point source: the level falls by 20 lg of the distance, 80 dB at 1 m (inverse distance law).
DISTANCES = (1.0, 2.0, 4.0)
LEVELS = tuple(80 - 20 * np.log10(distance) for distance in DISTANCES)

# Receipts are canonical JSON objects; their texts hold whatever a title, a path or an importer's option may hold.
NASTY = st.sampled_from(
    [
        *(
            "]]>",
            "</script>",
            "<!--",
            "-->",
            "--",
            "&",
            "&lt;",
            "</metadata>",
            "endstream",
            "%%EOF",
            "<!-- receipt -->",
        ),
        *("😀", "\0", "\r\n", "\ufffe", "\uffff", "\\\uffff", "\\ufffe", "\u2028", "\x7f", "\x85", "\\", '"', "'"),
    ]
)
TEXT = st.lists(NASTY | st.text(max_size=5), max_size=4).map("".join)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)


def png():
    """A picture of 4 by 2 grey points (ISO/IEC 15948)."""

    def chunk(kind, content):
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    rows = b"\0\x00\x40\x80\xc0" + b"\0\xff\xc0\x80\x40"
    header = struct.pack(">IIBBBBB", 4, 2, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def pdf(end=b"\n"):
    """One page with a line on it (ISO 32000-1)."""
    stroke = b"0 0 m 20 20 l S"
    bodies = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Count 1 /Kids [3 0 R] >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 20 20] /Contents 4 0 R /Resources << >> >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stroke), stroke),
    ]
    out, offsets = b"%PDF-1.7\n", []
    for number, body in enumerate(bodies, 1):
        offsets.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    start = len(out)
    out += b"xref\n0 5\n0000000000 65535 f \n" + table + b"trailer\n<< /Size 5 /Root 1 0 R >>\n"
    return out + b"startxref\n%d\n%%%%EOF" % start + end


BARE = {
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9">\n <rect width="9" height="9"/>\n</svg>\n',
    "png": png(),
    "pdf": pdf(),
    "csv": b"distance_m,level_dB\n" + b"".join(b"%g,%.4f\n" % pair for pair in zip(DISTANCES, LEVELS, strict=True)),
    "json": json.dumps({"level": {"value": LEVELS[1], "unit": "dB"}, "gap": None}).encode(),
    "vl.json": json.dumps(
        {
            "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
            "mark": "line",
            "data": {"values": [{"x": x, "y": y} for x, y in zip(DISTANCES, LEVELS, strict=True)]},
        }
    ).encode(),
    "html": b"<!doctype html>\n<html><head><!-- receipt --><title>Rowan</title></head>\n<body>80 dB</body></html>\n",
}


def dataset():
    import xarray as xr

    return xr.Dataset(
        {"level": (("source", "distance"), np.array([LEVELS]), {"units": "dB"})},
        coords={
            "source": ("source", np.array(["Föhre 😀"], dtype=object)),
            "distance": ("distance", np.array(DISTANCES), {"units": "m"}),
        },
        attrs={"device": "rowan", "notes": "", "drive": 2.83, "sphere": 0},
    )


def receipt(**parameters):
    """Two steps: a raw file taken in, and something derived from it."""
    raw = Input("raw:raw/rowan/0 & 10 <grad>.csv", "1" * 64)
    ingest = make_receipt("ingest", 1, {"importer": "delimited", "comment": "]]> --> </script> & ü 😀"}, [raw])
    before = seal_receipt(ingest, "2" * 64)
    return make_receipt(
        "derive", 3, {"smoothing": 1 / 24, "rear_wall": "three", **parameters}, [Input("a.nc", "3" * 64, before)]
    )


def write(folder: Path, ending: str, given=None, bare=None) -> Path:
    """An output with its receipt, as a stage writes it."""
    path = folder / f"rowan.{ending}"
    given = receipt() if given is None else given
    if ending == "nc":
        write_dataset(path, dataset() if bare is None else bare, given)
    else:
        write_artefact(path, BARE[ending] if bare is None else bare, given)
    return path
