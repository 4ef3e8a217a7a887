-- The store: one DuckDB file. This script is run on every store that is opened for writing by a
-- newer program, so each statement adds what is missing and leaves what is there.
--
-- There are no primary and foreign keys and no checks: they made loading seven times slower and
-- cannot be altered. The rules are kept by the import's checks and by tests.

-- One row is one version of this schema that the store has been brought to.
create table if not exists schema_version (version integer not null, migrated_at timestamp not null);

-- The one row counts the changes to laps, so that an answer can tell whether its fit is stale.
create table if not exists data_version (data_version bigint not null);

-- One row is one circuit.
create table if not exists circuit (circuit_id integer not null, circuit varchar not null);

-- One row is one configuration of a circuit; two layouts never compare.
create table if not exists layout (
    layout_id integer not null,
    circuit_id integer not null,
    layout varchar not null
);

-- One row is one make, model and generation of car.
create table if not exists model (model_id integer not null, model varchar not null);

-- One row is one individual car: the entry that is ranked.
create table if not exists build (
    build_id integer not null,
    build varchar not null,
    model_id integer not null
);

-- One row is one person who drove. The level is a fact of a run: people learn.
create table if not exists driver (driver_id integer not null, driver varchar not null);

-- One row is one day at one circuit.
create table if not exists event (
    event_id integer not null,
    circuit_id integer not null,
    date date not null
);

-- One row is one session of an event on one layout. Its weather stands with its runs, since a
-- session of 25 minutes sees more than one; view session_conditions sums it up.
create table if not exists session (
    session_id integer not null,
    event_id integer not null,
    layout_id integer not null,
    session varchar not null,
    start_time varchar
);

-- One row is one outing of a build within a session: who drove, the specification and the tyre on
-- that day, and the weather that was recorded for it. NULL is not recorded.
create table if not exists run (
    run_id integer not null,
    session_id integer not null,
    build_id integer not null,
    run integer not null,
    driver_id integer not null,
    driver_level varchar,
    induction varchar,
    mod_engine integer,
    mod_drivetrain integer,
    mod_suspension integer,
    mod_aero integer,
    mod_weight integer,
    mod_brakes integer,
    tyre_category varchar not null,
    treadwear integer,
    tyre_heat_cycles integer,
    air_temp_c double,
    track_temp_c double,
    pressure_hpa double,
    humidity_pct double,
    wind_mps double,
    altitude_m double,
    surface varchar not null
);

-- One row is one accepted lap, of whatever kind.
create table if not exists lap (
    lap_id bigint not null,
    run_id integer not null,
    lap integer not null,
    lap_time_s decimal(9, 4) not null,
    lap_kind varchar not null,
    timing varchar,
    timing_u_s double,
    evidence varchar,
    import_id integer not null
);

-- One row is one file that was taken in, with what it brought.
create table if not exists import (
    import_id integer not null,
    file varchar not null,
    sha256 varchar not null,
    imported_at timestamp not null,
    laps_added bigint not null,
    laps_already_there bigint not null,
    facts_added bigint not null,
    rounded bigint not null,
    ignored_columns varchar not null
);

-- One row is one line of the record, never altered: one change that matters, with who made it, when
-- and why, and what it changed (subject, before and after are JSON). hash is the SHA-256 over the
-- line and the hash of the one before: see record.py.
create table if not exists record (
    number bigint not null,
    made_at varchar not null,
    who varchar not null,
    role varchar not null,
    action varchar not null,
    subject varchar not null,
    reason varchar not null,
    before varchar not null,
    after varchar not null,
    previous_hash varchar not null,
    hash varchar not null
);

-- One row is a part of what an import brought, as a Parquet file: piece 0 holds its runs, pieces 1
-- and on its laps. From these and the record the store can be made anew: see sheets.py.
create table if not exists sheet (
    import_id integer not null,
    piece integer not null,
    body blob not null
);

-- One row is one person with a role in this store. A store without any is alone on a laptop.
create table if not exists person (
    person_id integer not null,
    name varchar not null,
    role varchar not null
);

-- One row is a name that was merged into another (kind: build or driver), by that line of the
-- record. Imports follow it; the other name may have been merged on since.
create table if not exists alias (
    kind varchar not null,
    name varchar not null,
    into_name varchar not null,
    number bigint not null
);

-- One row is one lap that a steward has struck and not put back, by that line of the record.
create table if not exists struck (lap_id bigint not null, number bigint not null);

-- One row is the period of protest of a day at a circuit: open or closed, and since when.
create table if not exists protest (
    circuit varchar not null,
    date date not null,
    state varchar not null,
    since varchar not null
);

-- What follows keeps what each line of the record (number) changed, so that it can be undone.

-- One row is one line that was undone, by a later one.
create table if not exists undone (number bigint not null, by_number bigint not null);

-- One row is one import that brought something, and the numbers that it gave to new runs, first to
-- last; last is less than first where it gave none.
create table if not exists made (
    number bigint not null,
    import_id integer not null,
    first_run_id bigint not null,
    last_run_id bigint not null
);

-- One row is one thing of before that a line changed (wrote) or rested on: kind is run, struck (a
-- lap), alias (the line that made it) or a fact of a run. An earlier line that wrote the same
-- cannot be undone first.
create table if not exists touch (
    number bigint not null,
    kind varchar not null,
    id bigint not null,
    wrote boolean not null
);

-- One row is one fact that was not recorded before this line: thing is run or lap.
create table if not exists filled (
    number bigint not null,
    thing varchar not null,
    id bigint not null,
    fact varchar not null
);

-- One row is the start of a session as an import told it.
create table if not exists session_told (
    number bigint not null,
    session_id integer not null,
    start_time varchar not null
);

-- One row is one run or lap (thing) that a merge gave another build_id, driver_id or run_id
-- (part), and the one that it had.
create table if not exists moved (
    number bigint not null,
    thing varchar not null,
    id bigint not null,
    part varchar not null,
    was_id bigint not null
);

-- One row is one run, or one lap, that a merge set aside because the other name had it too.
create table if not exists run_aside as select cast(0 as bigint) as number, * from run limit 0;
create table if not exists lap_aside as select cast(0 as bigint) as number, * from lap limit 0;

-- One row is one run, or one lap, that is in use or set aside: their numbers are never given again.
create or replace view known_run as
select run_id from run
union all
select run_id from run_aside;
create or replace view known_lap as
select lap_id from lap
union all
select lap_id from lap_aside;

-- One row is one fact of one run that a line corrected, as text; NULL is not recorded.
create table if not exists correction (
    number bigint not null,
    run_id integer not null,
    fact varchar not null,
    was varchar,
    now varchar
);

-- One row is one file that was handed in to a club, as it came, and what became of it: state is
-- pending, accepted, refused or withdrawn, decided_no the line of the record that decided.
create table if not exists submission (
    submission_no integer not null,
    handed_in_at varchar not null,
    who varchar not null,
    contact varchar not null,
    file varchar not null,
    sha256 varchar not null,
    body blob not null,
    laps bigint not null,
    state varchar not null,
    decided_no bigint,
    note varchar not null
);

-- One row is a corrected file that a steward accepted in the place of one that was handed in, by
-- that line of the record.
create table if not exists corrected_file (
    number bigint not null,
    file varchar not null,
    sha256 varchar not null,
    body blob not null
);

-- One row is one file of evidence, attached to a submission or a kept claim (about, about_no). Its
-- bytes lie beside the store under their SHA-256: see evidence.py. kind is what the bytes are, name
-- the last part of the name that the file came with, empty where none was given.
create table if not exists evidence (
    evidence_no integer not null,
    about varchar not null,
    about_no integer not null,
    sha256 varchar not null,
    kind varchar not null,
    size bigint not null,
    added_at varchar not null,
    who varchar not null,
    name varchar
);

-- One row is one setting that an owner has changed; the others are at their default.
create table if not exists setting (name varchar not null, value varchar not null);

-- One row is one fit of the model, as it was kept; fits are quoted and so never altered.
create table if not exists fit (
    fit_no integer not null,
    fit_id varchar not null,
    created varchar not null,
    mode varchar not null,
    data_version bigint not null,
    laps_used bigint not null,
    digest varchar not null,
    body blob not null
);

-- One row is one claim that was kept: what was handed in, as JSON, and the digest of its evidence.
create table if not exists claim (
    claim_no integer not null,
    kept_at varchar not null,
    subject varchar not null,
    evidence_sha256 varchar
);

-- One row is one check of a kept claim; never altered, so a change of verdict can be seen.
create table if not exists claim_check (
    claim_no integer not null,
    check_no integer not null,
    checked_at varchar not null,
    verdict varchar not null,
    fit_id varchar not null,
    data_version bigint not null,
    answer varchar not null
);

-- One row is the timing line of one layout, by its two ends, and the length of the layout.
create table if not exists timing_line (
    circuit varchar not null,
    layout varchar not null,
    line varchar not null,
    length_m double
);

-- One row is one column mapping for foreign sheets, kept by its name; body is its TOML text.
create table if not exists mapping (
    name varchar not null,
    kept_at varchar not null,
    kept_by varchar not null,
    body varchar not null
);

-- One row is one session under the published column names.
create or replace view session_sheet as
select
    session.session_id,
    circuit.circuit,
    layout.layout,
    event.date,
    session.session,
    session.start_time
from session
join event using (event_id)
join layout using (layout_id)
join circuit on circuit.circuit_id = layout.circuit_id;

-- One row is one run under the published column names.
create or replace view run_sheet as
select
    run.run_id,
    session_sheet.session_id,
    session_sheet.circuit,
    session_sheet.layout,
    session_sheet.date,
    session_sheet.session,
    session_sheet.start_time,
    model.model,
    run.induction,
    build.build,
    driver.driver,
    run.driver_level,
    run.mod_engine,
    run.mod_drivetrain,
    run.mod_suspension,
    run.mod_aero,
    run.mod_weight,
    run.mod_brakes,
    run.tyre_category,
    run.treadwear,
    run.tyre_heat_cycles,
    run.air_temp_c,
    run.track_temp_c,
    run.pressure_hpa,
    run.humidity_pct,
    run.wind_mps,
    run.altitude_m,
    run.surface,
    run.run
from run
join session_sheet using (session_id)
join build using (build_id)
join model using (model_id)
join driver using (driver_id);

-- One row is one session with the range of what its runs recorded of the weather.
create or replace view session_conditions as
select
    circuit,
    layout,
    date,
    session,
    any_value(start_time) as start_time,
    count(*) as runs,
    min(air_temp_c) as air_temp_low_c,
    max(air_temp_c) as air_temp_high_c,
    min(track_temp_c) as track_temp_low_c,
    max(track_temp_c) as track_temp_high_c,
    min(pressure_hpa) as pressure_low_hpa,
    max(pressure_hpa) as pressure_high_hpa,
    min(humidity_pct) as humidity_low_pct,
    max(humidity_pct) as humidity_high_pct,
    max(wind_mps) as wind_high_mps
from run_sheet
group by circuit, layout, date, session;

-- One row is one name that was merged into another, with the name that it has now and the lines
-- that led there.
create or replace view known_as as
with recursive chain as (
    select kind, name, into_name, number, 1 as steps
    from alias
    union all
    select chain.kind, chain.name, alias.into_name, alias.number, steps + 1
    from chain
    join alias on alias.kind = chain.kind and alias.name = chain.into_name
)
select kind, name, arg_max(into_name, steps) as now_name, list(number order by steps) as numbers
from chain
group by kind, name;

-- One row is one lap that a steward has struck and not put back, with who, when and why.
create or replace view struck_lap as
select struck.lap_id, struck.number, record.made_at, record.who, record.reason
from struck
join record using (number);

-- A lap time as people write it: m:ss.sss, from an hour up h:mm:ss.sss, with a fourth decimal only
-- where there is one. Counted in ten-thousandths of a second, so that nothing is rounded.
create or replace macro lap_time_text(lap_time_s) as (
    with tick as (select cast(lap_time_s * 10000 as bigint) as ticks)
    select
        case when ticks >= 36000000
            then (ticks // 36000000) || ':' || lpad(cast(ticks // 600000 % 60 as varchar), 2, '0')
            else cast(ticks // 600000 as varchar)
        end
        || ':' || lpad(cast(ticks // 10000 % 60 as varchar), 2, '0')
        || '.' || case when ticks % 10 = 0
            then lpad(cast(ticks // 10 % 1000 as varchar), 3, '0')
            else lpad(cast(ticks % 10000 as varchar), 4, '0')
        end
    from tick
);

-- One row is one accepted lap under the published column names, times in seconds.
create or replace view lap_table as
select
    run_sheet.* exclude (run_id, session_id),
    lap.lap,
    lap_time_text(lap.lap_time_s) as lap_time,
    lap.lap_time_s,
    lap.lap_kind,
    lap.timing,
    lap.timing_u_s,
    lap.evidence,
    lap.lap_id
from lap
join run_sheet using (run_id);

-- One row is one lap that may count: timed, and not struck by a steward.
create or replace view counted_lap as
select lap_table.*
from lap_table
left join struck_lap using (lap_id)
where lap_table.lap_kind = 'timed'
    and struck_lap.lap_id is null;
