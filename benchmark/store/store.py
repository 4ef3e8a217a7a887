"""The store: one DuckDB file that holds every accepted lap, every import, ruling and fit.

Each change asks who is signed in just then, and whether that person may (roles.py). Hold a `Store`
for one `with` block, and never while fitting: DuckDB gives the file to one writer or to several
readers. Values go into SQL as parameters; names of columns come from fixed lists.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

from benchmark.errors import BadQuestion, NotAllowed
from benchmark.intake.cells import Value
from benchmark.intake.columns import COLUMNS, LAP_KEY, Column, Kind
from benchmark.intake.laptable import LapFile
from benchmark.intake.query import interruptible
from benchmark.store import (
    adding,
    exporting,
    fits,
    kept_fits,
    migrate,
    older,
    opening,
    partitioning,
    record,
    striking,
    upgrading,
)
from benchmark.store.adding import Added
from benchmark.store.record import Line
from benchmark.store.roles import (
    ANYONE,
    NOBODY,
    Actor,
    Role,
    SignIn,
    machine_user,
    require,
    role_of,
)
from benchmark.store.served import is_for_a_club
from benchmark.store.taking import take_in

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.model.fit import Fit, KeptFit, Told

__all__ = ["Added", "Line", "Store"]

T = TypeVar("T")
NOWHERE = Path(":memory:")


def _in_frame(column: Column) -> str:
    """Write how a column goes into a data frame: always as the same type, gaps or not."""
    if column.kind is Kind.DATE:
        return f"cast({column.name} as varchar) as {column.name}"
    if column.kind is Kind.LAP_TIME:
        return "cast(lap_time_s as double) as lap_time_s"
    if column.kind in (Kind.LEVEL, Kind.WHOLE) and column.name not in LAP_KEY:
        return f"cast({column.name} as double) as {column.name}"
    return column.name


FRAME = ", ".join(_in_frame(column) for column in COLUMNS)
ORDER = ", ".join(LAP_KEY)


class Store:
    """An open store, a context manager: read-only unless it was opened to write."""

    def __init__(self, path: Path, opened: opening.Opened, who: SignIn | None = None) -> None:
        self.path = path
        self.who = who
        self._opened = opened
        self._connection = opened.connection

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        write: bool = False,
        create: bool = False,
        patience_s: float = opening.PATIENCE_S,
        who: SignIn | None = None,
    ) -> Self:
        """Open the store, waiting `patience_s` for a turn; `create` makes one, to be written.

        `who` tells who is signed in, and is asked at every change; without it a change of a store
        in which people have roles is a visitor's.

        A store of an older program is brought to this one's schema first, also to be read: all of
        it or nothing, its laps untouched, a backup of it made before, and told as a warning of the
        log (on standard error).
        An older program refuses it from then on.

        Raises
        ------
        NoStore
            There is none (or, where it is to be created, no such folder).
        StoreBusy
            Another process holds it; the message names the process.
        BenchmarkError
            The file is no store of laps, one of a newer program, or one of an older program where
            this one may not write.
        NotAllowed
            It is to be written from a process that serves it to be read.
        """
        path = Path(path)
        if write or create:
            return cls(path, upgrading.open_writer(path, patience_s, create=create), who)
        return cls(path, upgrading.open_reader(path, patience_s), who)

    @classmethod
    def empty(cls) -> Self:
        """Open an empty store that is nowhere, to try an import where there is no store yet."""
        connection = opening.memory()
        migrate.new_store(connection)
        return cls(NOWHERE, opening.Opened(connection))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file, and of the lock."""
        self._opened.close()

    def require(self, action: str) -> Actor:
        """Give who is about to do this, or refuse: for what is long in the making, such as a fit.

        Every change asks again by itself.

        Raises
        ------
        NotAllowed
            The role does not allow the action; the attempt is logged.
        """
        actor = self.actor()
        try:
            require(actor, action)
        except NotAllowed as refused:
            _note_refusal(self.path, actor, action, str(refused))
            raise
        return actor

    # Laps

    def add(self, lap_file: LapFile) -> Added:
        """Take in a lap file, the whole of it or nothing.

        Raises
        ------
        FaultyFile
            The file has faults, or contradicts the store; each one is named.
        NotAllowed
            Whoever is signed in may not.
        """
        return self._change("add", lambda actor: take_in(self._connection, actor, lap_file).added)

    def check(self, lap_file: LapFile) -> Added:
        """Say what `add` would bring, and change nothing; a read-only store will do.

        Raises
        ------
        FaultyFile
            As `add`.
        """
        return self._ask(lambda: adding.look(self._connection, lap_file))

    def counted_laps(self) -> pd.DataFrame:
        """Give the laps that count: timed, and not struck; all surfaces, ordered by the lap's key.

        Returns
        -------
        DataFrame
            The columns of the lap table, with `lap_time_s` [s] for `lap_time` and `date` as ISO
            8601 text; what is not recorded is missing (NaN).
        """
        return self._frame(f"select {FRAME} from counted_lap order by {ORDER}")

    def counted(self) -> int:
        """Give the number of laps that count, without reading them."""
        return int(self._rows("select count(*) from counted_lap")[0][0])

    def accepted_laps(self) -> pd.DataFrame:
        """Give every lap of whatever kind, as `counted_laps`, with `lap_id` and `struck`."""
        return self._frame(
            f"""
            select {FRAME}, lap_id, struck_lap.lap_id is not null as struck
            from lap_table left join struck_lap using (lap_id)
            order by {ORDER}
            """
        )

    def imports(self) -> pd.DataFrame:
        """Give the files that were taken in, newest first, with their digests and counts."""
        return self._frame("from import order by import_id desc")

    def data_version(self) -> int:
        """Give the number of changes to laps so far: a fit of an older version is stale."""
        return int(self._rows("select data_version from data_version")[0][0])

    def names(self, column: str) -> list[str]:
        """Give what the laps have in one column of names, such as `circuit` or `build`, sorted.

        Raises
        ------
        KeyError
            Not a column of names.
        """
        merged = "not in (select name from alias where kind = '{0}')"
        query = {
            "circuit": "select circuit from circuit",
            "model": "select model from model",
            "build": f"select build from build where build {merged.format('build')}",
            "driver": f"select driver from driver where driver {merged.format('driver')}",
        }[column]
        return [name for (name,) in self._rows(f"{query} order by all")]

    def layouts(self, circuit: str) -> list[str]:
        """Give the layouts of a circuit, sorted; none for a circuit that the store has not."""
        query = "select layout from session_sheet where circuit = ? group by all order by all"
        rows = self._rows(query, [circuit])
        return [layout for (layout,) in rows]

    def export(self, out: Path) -> int:
        """Write every accepted lap as a lap table, `.csv` or `.parquet`, and give their number.

        Raises
        ------
        BadQuestion
            The file's name ends otherwise.
        OSError
            The file cannot be written.
        """
        return self._ask(lambda: exporting.export(self._connection, Path(out)))

    def export_folder(self, out: Path) -> int:
        """Write every accepted lap into Parquet files by circuit and year, and give their number.

        Raises
        ------
        BadQuestion
            There is something of that name already.
        OSError
            The folder cannot be written.
        """
        return self._ask(lambda: partitioning.export_folder(self._connection, Path(out)))

    # Rulings

    def strike(
        self,
        lap: Mapping[str, Value],
        *,
        reason: str,
        steward: str | None = None,
        at: datetime | None = None,
    ) -> Line:
        """Take a lap out of the count; `lap` is its key, all seven columns.

        `steward` is who decided, where the store is alone on a laptop; in a club it is whoever is
        signed in.

        Raises
        ------
        BadQuestion
            No such lap, one that is struck already, or no steward or reason.
        NotAllowed
            Whoever is signed in may not.
        """
        return self._rule(striking.STRIKE, lap, steward, reason, at)

    def unstrike(
        self,
        lap: Mapping[str, Value],
        *,
        reason: str,
        steward: str | None = None,
        at: datetime | None = None,
    ) -> Line:
        """Put a struck lap back into the count; as `strike`.

        Raises
        ------
        BadQuestion
            No such lap, one that is not struck, or no steward or reason.
        NotAllowed
            Whoever is signed in may not.
        """
        return self._rule(striking.UNSTRIKE, lap, steward, reason, at)

    def record(self) -> list[Line]:
        """Give the whole record, oldest first, its chain checked.

        Raises
        ------
        BenchmarkError
            The record was altered since it was written.
        """
        lines = self._ask(lambda: record.read(self._connection))
        record.check_chain(lines)
        return lines

    def rulings(self) -> list[Line]:
        """Give what people decided: the record without the imports.

        Raises
        ------
        BenchmarkError
            As `record`.
        """
        return [line for line in self.record() if line.action not in (record.IMPORT, older.BASE)]

    # Fits

    def keep_fit(self, fit: Fit) -> None:
        """Keep a fit; keeping the same one again changes nothing.

        Beside it stay the latest `fits.FITS_KEPT` (of fits by regions this one alone) and those
        that a check of a kept claim names; the others make room, so that a store does not grow with
        every fit. The body of a large fit lies in a file beside the store.

        Raises
        ------
        NotAllowed
            Whoever is signed in may not.
        """
        self._keep_fit(fits.prepare(self.path, fit))

    def keep_written_fit(self, fit: Told, draft: kept_fits.Draft) -> None:
        """Keep a fit that was written beside the store before; errors as `keep_fit`."""
        self._keep_fit(fits.written(fit, draft))

    def _keep_fit(self, kept: fits.Prepared) -> None:
        self._change("fit", lambda _: fits.keep(self._connection, self.path, kept))
        kept_fits.clear(self.path, self._ask(lambda: fits.digests(self._connection)))

    def latest_fit(self) -> Fit:
        """Give the fit that was kept last, all of it in memory.

        Raises
        ------
        NoFit
            Nothing has been fitted yet, or the file of a large fit is not beside the store.
        BenchmarkError
            The kept fit is damaged.
        """
        return self.open_fit().all()

    def open_fit(self) -> KeptFit:
        """Give the fit that was kept last, to be asked for the parts that a question needs.

        A large one is read part by part, and stays readable when the store is closed.

        Raises
        ------
        NoFit, BenchmarkError
            As `latest_fit`.
        """
        from benchmark.model.fit import Fit  # numpy and scipy are heavy: loaded where needed

        body = self.latest_fit_bytes()
        return (
            Fit.from_bytes(body)
            if body
            else kept_fits.open_file(self.path, self.latest_fit_digest())
        )

    def latest_fit_digest(self) -> str:
        """Give the SHA-256 of the fit that was kept last, without reading it.

        Raises
        ------
        NoFit
            Nothing has been fitted yet.
        """
        return self._ask(lambda: fits.latest(self._connection, self.path, "digest"))

    def latest_fit_bytes(self) -> bytes:
        """Give the body of the fit that was kept last; none where it lies beside the store.

        Raises
        ------
        NoFit, BenchmarkError
            As `latest_fit`.
        """
        return self._ask(lambda: fits.latest_body(self._connection, self.path))

    def fits(self) -> pd.DataFrame:
        """Give the record of the fits, newest first, without their bodies."""
        return self._frame("select * exclude (body) from fit order by fit_no desc")

    # How it is done

    def _rule(
        self,
        action: str,
        lap: Mapping[str, Value],
        steward: str | None,
        reason: str,
        at: datetime | None,
    ) -> Line:
        def work(actor: Actor) -> Line:
            decider = self._decider(actor, steward)
            return striking.rule(self._connection, decider, action, lap, reason=reason, at=at)

        return self._change(action, work)

    def _ask(self, work: Callable[[], T]) -> T:
        return interruptible(self._connection, work)

    def _is_club(self) -> bool:
        return bool(self._rows("select exists (from person)")[0][0])

    def actor(self) -> Actor:
        """Tell who changes the store at this moment: a sign-out elsewhere counts at once.

        Where a process serves the store to a club nobody is the user of the machine, not even
        before anybody has a role.
        """
        if not self._is_club() and not is_for_a_club():
            return machine_user()
        name = self.who.person() if self.who is not None else None
        return Actor(NOBODY, Role.VISITOR) if name is None else self.actor_named(name)

    def actor_named(self, name: str) -> Actor:
        """Give somebody who has signed in, in the role that they have here."""
        roles = dict(
            self._rows("select name, role from person where name in (?, ?)", [name, ANYONE])
        )
        return Actor(name, role_of(roles.get(name) or roles.get(ANYONE) or Role.VISITOR.word))

    def _decider(self, actor: Actor, name: str | None) -> Actor:
        """Give whose decision it is: on a laptop any name may be given, in a club only one's own.

        Raises
        ------
        BadQuestion
            The name is blank, or in a club another one than that of who is signed in.
        """
        if name is None:
            return actor
        record.given(steward=name)
        if self._is_club() and name.strip() != actor.name:
            raise BadQuestion(
                f"signed in as {actor.name}: a ruling in the name of {name.strip()} is not taken"
            )
        return Actor(name.strip(), actor.role)

    def _change(self, action: str, work: Callable[[Actor], T], *, try_only: bool = False) -> T:
        """Do the work as one transaction, if who is signed in may; every change goes this way.

        `try_only` takes everything back again.

        Raises
        ------
        NotAllowed
            The role does not allow the action; nothing was changed, and the attempt is logged.
        """
        actor = self.require(action)
        try:
            return self._write(lambda: work(actor), try_only=try_only)
        except NotAllowed as refused:  # what is another person's
            _note_refusal(self.path, actor, action, str(refused))
            raise

    def _write(self, work: Callable[[], T], *, try_only: bool = False) -> T:
        """Do the work as one transaction: all of it, or after any error none."""
        self._connection.execute("begin")
        try:
            done = interruptible(self._connection, work)
            self._connection.execute("rollback" if try_only else "commit")
        except BaseException:
            self._connection.execute("rollback")
            raise
        return done

    def _rows(self, query: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        # The fetch belongs to the work: DuckDB answers as it is asked, errors come with the rows.
        return self._ask(lambda: self._connection.execute(query, list(values)).fetchall())

    def _frame(self, query: str) -> pd.DataFrame:
        table = self._ask(lambda: self._connection.sql(query).to_arrow_table())
        frame: pd.DataFrame = table.to_pandas()
        return frame


def _note_refusal(path: Path, actor: Actor, action: str, detail: str) -> None:
    """Log a refusal beside the store, never in the record: a stranger could fill that."""
    from benchmark.store.accounts import note_refusal  # its hashing is loaded where needed

    if path != NOWHERE:
        person = None if actor.name == NOBODY else actor.name
        note_refusal(path, person, action, detail)
