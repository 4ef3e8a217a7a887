"""An answer as a page to print or send: one HTML file, or a PDF, that needs no network.

A report is words, tables and one picture a section. Text of users is escaped in HTML and handed
to the PDF template as data, so that no name can be taken for markup.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from pathlib import Path

from benchmark.errors import BadQuestion
from benchmark.show.output import Column
from benchmark.show.words import CAUTIONS

STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, sans-serif; color: #1e2428; max-width: 72rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
.answer { font-size: 1.2rem; border-left: 4px solid #16868c; padding-left: .8rem; }
p, li { overflow-wrap: anywhere; }
.wide { overflow-x: auto; } table { border-collapse: collapse; font-size: .85rem; }
th, td { text-align: left; padding: .25rem .6rem; border-bottom: 1px solid #d5d9dc; }
td, th { white-space: nowrap; } td.right, th.right { text-align: right; }
svg { min-width: 32rem; max-width: 100%; height: auto; }
footer { font-size: .85rem; color: #4d565c; } tr { break-inside: avoid; }
@media print { body { margin: 0; max-width: none; font-size: 11px; } .wide { overflow: visible; }
  td, th { white-space: normal; } svg { max-height: 85vh; } }
"""


@dataclass(frozen=True)
class Section:
    """A part of a report under its own heading."""

    heading: str
    paragraphs: Sequence[str] = ()
    points: Sequence[str] = ()
    table: Sequence[Column] = ()
    picture: str = ""  # SVG text
    picture_alt: str = ""


@dataclass(frozen=True)
class Report:
    """A page: its title, the answer in one sentence, the rest, and what it rests on."""

    title: str
    answer: str
    sections: Sequence[Section]
    rests_on: Sequence[str]


def report_ending(path: Path) -> str:
    """Give the ending of a report's name, which says how it is written: .html or .pdf.

    Raises
    ------
    BadQuestion
        Another ending.
    """
    ending = path.suffix.lower()
    if ending not in (".html", ".pdf"):
        raise BadQuestion(f"cannot write a report as {path.name}: end the name in .html or .pdf")
    return ending


def write_report(report: Report, path: Path) -> None:
    """Write a report to a file whose name ends in .html or .pdf.

    Raises
    ------
    BadQuestion
        Another ending, or a place that cannot be written to.
    """
    is_html = report_ending(path) == ".html"
    content = to_html(report).encode() if is_html else to_pdf(report)
    try:
        path.write_bytes(content)
    except OSError as error:
        raise BadQuestion(f"cannot write {path}: {error.strerror}") from error


def to_html(report: Report) -> str:
    """Give the report as one HTML page without scripts or outside addresses."""
    body = [
        f"<h1>{escape(report.title)}</h1>",
        f'<p class="answer">{escape(report.answer)}</p>',
        *(_section(section) for section in report.sections),
        _section(Section("Cautions", points=CAUTIONS)),
        "<footer>",
        *(f"<p>{escape(line)}</p>" for line in report.rests_on),
        "</footer>",
    ]
    head = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(report.title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
    )
    return head + "\n".join(body) + "\n</main>\n</body>\n</html>\n"


def _section(section: Section) -> str:
    parts = [f"<h2>{escape(section.heading)}</h2>"]
    parts += [f"<p>{escape(text)}</p>" for text in section.paragraphs]
    if section.picture:
        alt = escape(section.picture_alt, quote=True)
        parts.append(f'<div class="wide" role="img" aria-label="{alt}">{section.picture}</div>')
    if section.points:
        points = "".join(f"<li>{escape(text)}</li>" for text in section.points)
        parts.append(f"<ul>{points}</ul>")
    if section.table:
        parts.append(_table(section.table))
    return "\n".join(parts)


def _table(columns: Sequence[Column]) -> str:
    def row(tag: str, texts: Sequence[str]) -> str:
        cells = zip(columns, texts, strict=True)
        told = (f"<{tag}{_align(column)}>{escape(text)}</{tag}>" for column, text in cells)
        return f"<tr>{''.join(told)}</tr>"

    head = row("th", [column.heading for column in columns])
    body = "\n".join(
        row("td", texts) for texts in zip(*(column.cells for column in columns), strict=True)
    )
    return (
        f'<div class="wide"><table>\n<thead>{head}</thead>\n<tbody>{body}</tbody>\n</table></div>'
    )


def _align(column: Column) -> str:
    return ' class="right"' if column.right else ""


def to_pdf(report: Report) -> bytes:
    """Give the report as an accessible PDF; the same report gives the same bytes."""
    import typst

    template = files("benchmark.show").joinpath("report.typ").read_bytes()
    compiled = typst.compile(
        template,
        sys_inputs={"report": json.dumps(_as_data(report), ensure_ascii=False)},
        ignore_system_fonts=True,
        pdf_standards=["ua-1"],
    )
    return bytes(compiled)


def _as_data(report: Report) -> dict[str, object]:
    sections = [*report.sections, Section("Cautions", points=CAUTIONS)]
    return {
        "title": report.title,
        "answer": report.answer,
        "rests_on": list(report.rests_on),
        "sections": [
            {
                "heading": section.heading,
                "paragraphs": list(section.paragraphs),
                "points": list(section.points),
                "picture": section.picture,
                "picture_alt": section.picture_alt,
                "headings": [column.heading for column in section.table],
                "right": [column.right for column in section.table],
                "rows": list(zip(*(column.cells for column in section.table), strict=True)),
            }
            for section in sections
        ],
    }
