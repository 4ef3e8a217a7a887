"""`benchmark mapping show|list|save|remove`: column mappings for foreign sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.show.output import Column, Format

Name = Annotated[str, typer.Argument(metavar="NAME", help="Name of a kept mapping.")]
NameOrFile = Annotated[
    str, typer.Argument(metavar="NAME", help="Name of a kept mapping, or a .toml file.")
]


def show(name: NameOrFile, db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show a mapping: where each column of a lap table comes from, and how it is turned."""
    from benchmark.show.mappings import mapping_columns, mapping_named, record_of
    from benchmark.show.output import print_record, print_table

    mapping = mapping_named(db, name)
    if format is Format.TABLE:
        print_table(mapping_columns(mapping))
        typer.echo(mapping.to_toml().rstrip("\n"))
    else:
        print_record(record_of(mapping), format)


def list_(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """List the kept mappings."""
    from benchmark.show.mappings import kept, kept_rows
    from benchmark.show.output import print_table, to_csv, to_json

    rows = kept_rows(kept(db))
    fields = ("name", "kept_at", "kept_by")
    if format is Format.TABLE:
        print_table([Column(field, [row[field] for row in rows]) for field in fields])
    else:
        text = to_json(rows) if format is Format.JSON else to_csv(rows, fields)
        typer.echo(text.rstrip("\n"))


def save(
    file: Annotated[Path, typer.Argument(metavar="FILE.toml", help="The mapping as a file.")],
    name: Annotated[
        str | None, typer.Option(help="Name to keep it by; that of the file by default.")
    ] = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Check a mapping and keep it by name, in place of an earlier one of that name."""
    from benchmark.intake.mapping import read_mapping
    from benchmark.show.mappings import keep

    kept_as = file.stem if name is None else name
    keep(db, kept_as, read_mapping(file), acting(db, as_))
    typer.echo(f'kept as "{kept_as}"; use it with `benchmark import --mapping "{kept_as}" FILE`')


def remove(name: Name, as_: As = None, db: Db = DEFAULT_DB) -> None:
    """Remove a kept mapping; laps that were read with it stay."""
    from benchmark.store.mappings import remove_mapping
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=acting(db, as_)) as store:
        remove_mapping(store, name)
    typer.echo(f'removed mapping "{name}"')
