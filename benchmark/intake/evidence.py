"""What a file of evidence is, told by what it holds and never by its name.

Evidence is kept and given back, never run. A few kinds are taken: what supports a lap is a picture
or a sheet, a trace, or a PDF of the organiser. Anything else, and a file that only begins like one
of these, is refused.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from types import MappingProxyType

from PIL import Image, ImageOps, UnidentifiedImageError

from benchmark.errors import BadQuestion

PDF, PNG, JPEG, CSV, GPX, NMEA = "pdf", "png", "jpeg", "csv", "gpx", "nmea"
# The ending of a download, by kind.
ENDINGS: Mapping[str, str] = MappingProxyType(
    {PDF: ".pdf", PNG: ".png", JPEG: ".jpg", CSV: ".csv", GPX: ".gpx", NMEA: ".nmea"}
)
PICTURES = (PNG, JPEG)
MOST_BYTES = 20_000_000
# A picture of more is refused before it is unpacked. 50 million are some 150 MB of memory; cameras
# of today's telephones make 12 to 50 million.
MOST_PIXELS = 50_000_000
SHOWN_PX = 1600  # the longer side of a picture on a page
LEGAL = "use PDF, PNG, JPEG, CSV, GPX or NMEA text"
HEAD_BYTES = 4096
LONGEST_STEM = 60  # characters of a name that go into a download's

STARTS = ((b"%PDF-", PDF), (b"\x89PNG\r\n\x1a\n", PNG), (b"\xff\xd8\xff", JPEG))
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
# A comment ends at its first "-->" (XML 1.0, section 2.5): one that could go on past it would let a
# file of some twenty comments be split up in a million ways, each tried while all pages wait.
COMMENT = r"<!--(?:(?!-->).)*-->\s*"
GPX_ROOT = re.compile(rf"\A\s*(<\?xml[^<>]*\?>\s*)?({COMMENT})*<gpx[\s>]", re.DOTALL)
SENTENCE = re.compile(r"\$[A-Z]{2}[A-Z0-9]{3},[ -~]*\*[0-9A-Fa-f]{2}")
DELIMITERS = ",;\t"
BROKEN_PICTURE = (
    OSError,
    SyntaxError,
    ValueError,
    OverflowError,
    EOFError,
    UnidentifiedImageError,
)


def kind_of(body: bytes, *, name: str = "the file") -> str:
    """Tell what the bytes are: one of the kinds in `ENDINGS`.

    Parameters
    ----------
    body : the whole file.
    name : what the file is called in the message; it decides nothing.

    Raises
    ------
    BadQuestion
        It is empty, too large, of another kind, or broken; the message says what to do.
    """
    if not body:
        raise BadQuestion(f"{name} is empty")
    if len(body) > MOST_BYTES:
        most = MOST_BYTES // 1_000_000
        raise BadQuestion(f"{name} has {len(body) / 1e6:.1f} MB; evidence may have {most} MB")
    kind = next((kind for start, kind in STARTS if body.startswith(start)), None)
    if kind is None:
        return _kind_of_text(body, name)
    if kind in PICTURES:
        _opened(body, kind, name).close()
    return kind


def download_name(name: str, kind: str, sha256: str) -> str:
    """Name a download: letters and digits of the name that the file came with, then its digest.

    Nothing in it leads to another folder or tells a system how to open the file but the ending of
    its kind.
    """
    stem = name.rpartition(".")[0] or name
    plain = re.sub(r"[\W_]+", "-", stem)[:LONGEST_STEM].strip("-")
    return f"{plain or 'evidence'}-{sha256[:12]}{ENDINGS[kind]}"


def shown_picture(body: bytes, kind: str, *, name: str = "the picture") -> bytes:
    """Draw a PNG or JPEG anew as a small JPEG: what else the file carried stays behind.

    Raises
    ------
    BadQuestion
        It is no such picture, or has too many pixels.
    """
    with _opened(body, kind, name) as picture:
        try:
            picture.draft("RGB", (SHOWN_PX, SHOWN_PX))  # a JPEG is unpacked no larger than needed
            upright = ImageOps.exif_transpose(picture)
            upright.thumbnail((SHOWN_PX, SHOWN_PX))
            flat = _on_white(upright)
        except BROKEN_PICTURE as error:
            raise BadQuestion(f"{name} is a broken {kind.upper()} picture") from error
    out = io.BytesIO()
    flat.save(out, "JPEG", quality=85)
    return out.getvalue()


def _opened(body: bytes, kind: str, name: str) -> Image.Image:
    """Open a picture by its header alone, with that kind's reader and no other."""
    try:
        picture = Image.open(io.BytesIO(body), formats=(kind.upper(),))
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise BadQuestion(f"{name} has too many pixels; make it smaller") from error
    except BROKEN_PICTURE as error:
        raise BadQuestion(f"{name} begins like a {kind.upper()} picture and is none") from error
    if picture.width * picture.height > MOST_PIXELS:
        size = f"{picture.width} x {picture.height}"
        most = MOST_PIXELS // 1_000_000
        raise BadQuestion(f"{name} has {size} pixels; a picture may have {most} million")
    return picture


def _on_white(picture: Image.Image) -> Image.Image:
    """Give the picture without transparency and without what came beside its pixels."""
    seen = picture.convert("RGBA")
    flat = Image.new("RGB", seen.size, "white")
    flat.paste(seen, mask=seen.getchannel("A"))
    return flat


def _kind_of_text(body: bytes, name: str) -> str:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadQuestion(f"{name} is no kind of evidence that is taken; {LEGAL}") from None
    if CONTROL.search(text):
        raise BadQuestion(f"{name} is no kind of evidence that is taken; {LEGAL}")
    if GPX_ROOT.match(text[:HEAD_BYTES]):
        if re.search(r"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE):
            raise BadQuestion(f"{name} is GPX that declares entities; save the trace again")
        return GPX
    lines = [line.strip() for line in text[:HEAD_BYTES].splitlines() if line.strip()]
    if lines and SENTENCE.fullmatch(lines[0]):
        return NMEA
    if lines and _is_table(lines):
        return CSV
    raise BadQuestion(f"{name} is no kind of evidence that is taken; {LEGAL}")


def _is_table(lines: list[str]) -> bool:
    """Tell a table by its first two lines: two cells or more, as many in both."""
    if len(lines) < 2 or lines[0].startswith(("<", "#!", "{", "[")):
        return False
    counts = {
        delimiter: [len(row) for row in csv.reader(lines[:2], delimiter=delimiter)]
        for delimiter in DELIMITERS
    }
    return any(len(set(found)) == 1 and found[0] >= 2 for found in counts.values())
