"""Evidence: told by what it holds, kept by its digest, shown only after it was drawn anew."""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from pathlib import Path

import pytest
from PIL import Image

from benchmark.errors import BadQuestion, BenchmarkError, NotAllowed
from benchmark.intake import evidence as kinds
from benchmark.intake.evidence import kind_of, shown_picture
from benchmark.store import evidence as kept
from benchmark.store.claims import Check, keep_claim
from benchmark.store.deciding import refuse
from benchmark.store.evidence import CLAIM, SUBMISSION, add_evidence, evidence, read_evidence
from benchmark.store.submissions import submissions
from tests.clubs import (
    ENTRANT,
    OTHER,
    OWNER,
    STEWARD,
    VISITOR,
    club,
    digest,
    handed_in,
    open_as,
    sheet,
)

PDF = b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\n%%EOF\n"
GPX = b'<?xml version="1.0"?>\n<gpx version="1.1" creator="invented"><trk/></gpx>'
NMEA = b"$GPRMC,100000.00,A,4500.00000,S,12000.00000,W,077.8,084.4,010524,,,A*63\r\n"
CSV = b"lap;time\n1;1:02.3\n"


def picture(form: str = "PNG", size: tuple[int, int] = (40, 30), **more: object) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, "red").save(out, form, **more)
    return out.getvalue()


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes whose header promises so many pixels (PNG, third edition, 5.3, 11.2)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IEND", b"")


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("run.sh", "echo")
    return out.getvalue()


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = club(tmp_path / "club.duckdb")
    handed_in(path)
    return path


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (PDF, "pdf"),
        (picture("PNG"), "png"),
        (picture("JPEG"), "jpeg"),
        (CSV, "csv"),
        (b"\xef\xbb\xbfa,b\r\n1,2\r\n", "csv"),
        (GPX, "gpx"),
        (NMEA, "nmea"),
    ],
)
def test_a_kind_is_told_by_what_the_file_holds(body: bytes, kind: str) -> None:
    assert kind_of(body) == kind


@pytest.mark.parametrize(
    "body",
    [
        zipped(),
        b"MZ\x90\x00" + bytes(60),
        b"\x7fELF" + bytes(60),
        b"GIF89a" + bytes(60),
        b"RIFF\x00\x00\x00\x00WEBPVP8 ",
        b"\x00\x00\x00\x18ftypmp42" + bytes(20),
        b"<html><script>alert(1)</script></html>",
        b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
        b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"><gpx/></svg>',
        b"#!/bin/sh, x\necho a, b\n",
        b"just some words\nwithout a table\n",
        b'{"a": 1, "b": 2}\n{"a": 1, "b": 2}\n',
        "lap,time\n1,2\n".encode("utf-16"),
        b"lap,time\n1,\x1b[2J\n",
        b"\x00" * 10,
    ],
)
def test_any_other_kind_is_refused_whatever_its_name(body: bytes) -> None:
    with pytest.raises(
        BadQuestion, match=r"^sheet\.pdf is no kind of evidence that is taken; use "
    ):
        kind_of(body, name="sheet.pdf")


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (b"", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n<script>", "begins like a PNG picture and is none"),
        (b"\xff\xd8\xff<script>", "begins like a JPEG picture and is none"),
        (picture("PNG")[:30], "begins like a PNG picture and is none"),
        (bomb(30_000, 30_000), "has too many pixels; make it smaller"),
        (bomb(10_000, 9_000), r"(10000 x 9000 pixels; a picture may have 50 million|too many)"),
        (bomb(8_000, 7_000), "has 8000 x 7000 pixels; a picture may have 50 million"),
        (
            b'<?xml version="1.0"?>\n<gpx><trk/></gpx><!ENTITY a "b">',
            "is GPX that declares entities",
        ),
        (b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aa">]><gpx/>', "no kind of evidence"),
        (bytes(kinds.MOST_BYTES + 1), "has 20.0 MB; evidence may have 20 MB"),
    ],
)
def test_a_broken_a_huge_or_a_trapped_file_is_refused(body: bytes, message: str) -> None:
    with pytest.raises(BadQuestion, match=message):
        kind_of(body)


def test_many_comments_before_the_root_are_read_at_once() -> None:
    """Split up in every way they would take longer than the club lives."""
    comments = b"<!---->" * 500
    assert kind_of(comments + b"<!-- a -- > --><gpx ><trk/></gpx>") == "gpx"
    with pytest.raises(BadQuestion, match="no kind of evidence"):
        kind_of(comments + b"x")


def test_a_picture_is_drawn_anew_without_what_came_with_it() -> None:
    """A picture may carry a script, an archive or the place where it was taken."""
    position = Image.Exif()
    position[0x010E] = "taken at home"  # ImageDescription, Exif 2.3, table 4
    for body, kind in (
        (picture("JPEG", exif=position) + b"<script>alert(1)</script>" + zipped(), "jpeg"),
        (picture("PNG") + zipped(), "png"),
    ):
        assert kind_of(body) == kind
        shown = shown_picture(body, kind)
        assert shown.startswith(b"\xff\xd8\xff")
        assert b"script" not in shown
        assert b"home" not in shown
        assert b"PK\x03\x04" not in shown
        with Image.open(io.BytesIO(shown)) as drawn:
            assert drawn.size == (40, 30)
            assert not drawn.getexif()
            assert drawn.getpixel((20, 15))[0] > 240


def test_a_large_picture_is_shown_small_and_a_turned_one_upright() -> None:
    turned = Image.Exif()
    turned[0x0112] = 6  # Orientation: the row on top is the right side (Exif 2.3, 4.6.4)
    shown = shown_picture(picture("JPEG", (4000, 2000), exif=turned), "jpeg")
    with Image.open(io.BytesIO(shown)) as drawn:
        assert drawn.size == (800, 1600)


def test_a_picture_that_breaks_off_is_told() -> None:
    body = picture("JPEG", (400, 300))
    with pytest.raises(BadQuestion, match="is a broken JPEG picture"):
        shown_picture(body[: len(body) // 2], "jpeg")


def test_a_file_is_kept_under_its_digest_and_nothing_else(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        one = add_evidence(store, SUBMISSION, 1, PDF, name="../../../etc/cron.d/x")
        again = add_evidence(store, SUBMISSION, 1, PDF, name="other.exe")
        assert read_evidence(store, one) == PDF
    folder = db.with_name("club.duckdb.evidence")
    assert again == one
    assert [path.name for path in folder.iterdir()] == [digest(PDF)]
    assert (folder / digest(PDF)).stat().st_mode & 0o777 == 0o600
    assert one.safe_name == f"x-{digest(PDF)[:12]}.pdf"


def test_what_was_altered_or_is_gone_is_found(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        first = add_evidence(store, SUBMISSION, 1, PDF)
        second = add_evidence(store, SUBMISSION, 1, CSV)
        third = add_evidence(store, SUBMISSION, 1, GPX)
        folder = kept.folder_of(db)
        (folder / first.sha256).write_bytes(PDF + b" ")
        (folder / second.sha256).unlink()
        with pytest.raises(BenchmarkError, match="evidence 1 was altered: restore it"):
            read_evidence(store, first)
        faults = {one.sha256: one.fault for one in kept.verify(store)}
    assert faults == {
        first.sha256: "evidence 1 was altered: restore it from a backup",
        second.sha256: "evidence 2 is gone: restore it from a backup",
        third.sha256: "",
    }


def test_a_digest_that_is_a_path_is_not_followed(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF)
        store._connection.execute("update evidence set sha256 = '../club.duckdb'")
        (one,) = evidence(store)
        with pytest.raises(BenchmarkError, match="has no digest"):
            read_evidence(store, one)


def test_a_write_that_fails_leaves_no_file_and_no_row(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with open_as(db, ENTRANT) as store:
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="No space"):
            add_evidence(store, SUBMISSION, 1, PDF)
        assert evidence(store) == []
    assert list(kept.folder_of(db).iterdir()) == []


@pytest.mark.parametrize("who", [VISITOR, OTHER])
def test_nobody_adds_to_the_submission_of_another(db: Path, who: str | None) -> None:
    with open_as(db, who) as store:
        with pytest.raises(NotAllowed):
            add_evidence(store, SUBMISSION, 1, PDF)
        assert evidence(store) == []
    assert not kept.folder_of(db).exists()


def test_evidence_of_a_submission_is_seen_by_those_who_see_the_submission(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF)
    for who, seen in ((VISITOR, 0), (OTHER, 0), (ENTRANT, 1), (STEWARD, 1), (OWNER, 1)):
        with open_as(db, who) as store:
            assert len(evidence(store)) == seen


def test_after_the_decision_only_stewards_add_and_that_is_on_record(db: Path) -> None:
    with open_as(db, STEWARD) as store:
        refuse(store, 1, reason="no evidence")
    with open_as(db, ENTRANT) as store, pytest.raises(BadQuestion, match="takes no more evidence"):
        add_evidence(store, SUBMISSION, 1, PDF)
    with open_as(db, STEWARD) as store:
        add_evidence(store, SUBMISSION, 1, PDF)
        line = store.record()[-1]
    assert (line.action, line.who) == ("evidence", STEWARD)
    assert digest(PDF) in line.after


def test_a_claim_takes_evidence_that_everybody_sees(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        number = keep_claim(store, "{}", Check("stands", "fit", 0, "{}"))
        add_evidence(store, CLAIM, number, PDF)
        with pytest.raises(BadQuestion, match="no kept claim 7"):
            add_evidence(store, CLAIM, 7, PDF)
    with open_as(db, VISITOR) as store:
        assert [one.about for one in evidence(store, CLAIM, number)] == [CLAIM]


@pytest.mark.parametrize(
    ("limit", "value", "message"),
    [
        ("MOST_FILES_EACH", 1, "submission 1 has 1 files of evidence: it takes no more"),
        ("MOST_BYTES_EACH", 40, "MB of evidence: ask a steward"),
        ("MOST_BYTES_IN_ALL", 40, "takes all the room it may"),
    ],
)
def test_the_limits_of_evidence_hold(
    db: Path, monkeypatch: pytest.MonkeyPatch, limit: str, value: int, message: str
) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF)
        monkeypatch.setattr(kept, limit, value)
        with pytest.raises(BadQuestion, match=message):
            add_evidence(store, SUBMISSION, 1, CSV)


def test_a_sheet_and_its_evidence_come_in_together_or_not_at_all(db: Path) -> None:
    from tests.lap_files import lap

    lap_file, body = sheet(db.parent, [lap(1, "1:03.0")])
    with open_as(db, ENTRANT) as store:
        for trap in (b"MZ", bomb(9_000, 9_000)):
            with pytest.raises(BadQuestion):
                kept.hand_in_with(store, lap_file, body, [("a.pdf", PDF), ("b.png", trap)])
        assert len(submissions(store)) == 1
        handed = kept.hand_in_with(store, lap_file, body, [("a.pdf", PDF), ("b.csv", CSV)])
        found = evidence(store, SUBMISSION, handed.submission.number)
    assert [one.kind for one in found] == ["pdf", "csv"]
