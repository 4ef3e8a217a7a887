-- Writes the prepared file (temporary tables new_run and new_lap, see adding.py) into the store.
-- What is new is numbered on, in the order of its names, so that the same files in the same order
-- always make the same store.

insert into circuit
select (select coalesce(max(circuit_id), 0) from circuit) + row_number() over (order by circuit),
    circuit
from (select distinct circuit from new_run)
anti join circuit as known using (circuit);

insert into layout
with named as (
    select distinct circuit.circuit_id, new_run.circuit, new_run.layout
    from new_run
    join circuit using (circuit)
)
select (select coalesce(max(layout_id), 0) from layout)
    + row_number() over (order by circuit, layout), circuit_id, layout
from named
anti join layout as known using (circuit_id, layout);

insert into model
select (select coalesce(max(model_id), 0) from model) + row_number() over (order by model), model
from (select distinct model from new_run)
anti join model as known using (model);

insert into build
select (select coalesce(max(build_id), 0) from build) + row_number() over (order by build),
    build, model_id
from (select distinct build, model from new_run)
join model using (model)
anti join build as known using (build);

insert into driver
select (select coalesce(max(driver_id), 0) from driver) + row_number() over (order by driver),
    driver
from (select distinct driver from new_run)
anti join driver as known using (driver);

insert into event
with named as (
    select distinct circuit.circuit_id, new_run.circuit, new_run.date
    from new_run
    join circuit using (circuit)
)
select (select coalesce(max(event_id), 0) from event)
    + row_number() over (order by circuit, date), circuit_id, date
from named
anti join event as known using (circuit_id, date);

insert into session
with named as (
    select event.event_id, layout.layout_id, new_run.session, min(new_run.run_no) as first_run_no,
        any_value(new_run.start_time) as start_time
    from new_run
    join circuit using (circuit)
    join event using (circuit_id, date)
    join layout using (circuit_id, layout)
    group by event.event_id, layout.layout_id, new_run.session
)
select (select coalesce(max(session_id), 0) from session)
    + row_number() over (order by first_run_no), event_id, layout_id, session, start_time
from named
anti join session as known using (event_id, layout_id, session);

insert into run
select (select coalesce(max(run_id), 0) from known_run) + row_number() over (order by new_run.run_no),
    session_sheet.session_id, build.build_id, new_run.run, driver.driver_id, new_run.driver_level,
    new_run.induction, new_run.mod_engine, new_run.mod_drivetrain, new_run.mod_suspension,
    new_run.mod_aero, new_run.mod_weight, new_run.mod_brakes, new_run.tyre_category,
    new_run.treadwear, new_run.tyre_heat_cycles, new_run.air_temp_c, new_run.track_temp_c,
    new_run.pressure_hpa, new_run.humidity_pct, new_run.wind_mps, new_run.altitude_m,
    new_run.surface
from new_run
join session_sheet using (circuit, layout, date, session)
join build using (build)
join driver using (driver)
where new_run.run_id is null;

insert into lap
with numbered as (
    select new_run.run_no, run_sheet.run_id
    from new_run
    join run_sheet using (circuit, layout, date, session, build, run)
)
select (select coalesce(max(lap_id), 0) from known_lap) + row_number() over (order by new_lap.row),
    numbered.run_id, new_lap.lap, new_lap.lap_time_s, new_lap.lap_kind, new_lap.timing,
    new_lap.timing_u_s, new_lap.evidence, (select id from this_import)
from new_lap
join numbered using (run_no)
where new_lap.lap_id is null;
