-- week_facts: one row per week: a hash of all that its data say, whatever was learned since, and
-- one of its stops with outcome, reason and site. Who drove is left out: a person who is forgotten
-- or past the time of keeping must not look like late data.
-- Inputs: stops, charge_sessions, charge_steps, thermal_stretches, approach_spells, idle_warming,
-- reported_sessions, file_spans. Parameters: zone, week_ids (list).
with wanted as (
    select
        week_id,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u')) as from_at,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u') + interval 7 day) as to_at
    from (select unnest($week_ids::varchar[]) as week_id) as asked
),

fact_rows as (
    select
        week_id,
        hash(
            stop_id, plug_in_at, plug_out_at, outcome, why, site_id, evidence_grade, model_id,
            round(energy_kwh, 3), round(active_min, 3), round(held_min, 3), round(idle_min, 3),
            round(missing_min, 3), round(soc_start_pct, 2), round(soc_end_pct, 2),
            round(arrival_cell_temp_min_degc, 2), round(unwarmed_cell_temp_min_degc, 2),
            round(warming_kwh, 3), round(range_given_up_km, 2), round(lead_min, 2)
        ) as row_hash
    from stops
    union all
    select
        week_id,
        hash(
            'charge', vehicle_id, plug_in_at, plug_out_at, mode, site_id, round(energy_kwh, 3)
        ) as row_hash
    from charge_sessions
    union all
    select
        week_id,
        hash(
            'step', vehicle_id, plug_in_at, step_no, round(step_min, 4), round(pack_kwh, 4),
            round(heater_kwh, 4), round(soc_mid_pct, 2), round(cell_temp_min_degc, 2), is_held
        ) as row_hash
    from charge_steps
    union all
    select
        week_id,
        hash(
            'stretch', vehicle_id, from_at, stretch_kind, round(stretch_min, 3),
            round(cell_temp_end_degc, 2), round(heater_kwh, 4), round(current2_a2s, 0)
        ) as row_hash
    from thermal_stretches
    union all
    select
        week_id,
        hash('spell', vehicle_id, plug_in_at, spell_no, began_at, round(spell_min, 3)) as row_hash
    from approach_spells
    union all
    select
        week_id,
        hash('idle', vehicle_id, warmed_at, round(idle_warming_kwh, 3)) as row_hash
    from idle_warming
    union all
    select
        strftime(timezone($zone, plug_in_at), '%G-W%V') as week_id,
        hash('bill', vehicle_id, plug_in_at, plug_out_at, meter_energy_kwh, total_cost) as row_hash
    from reported_sessions
    union all
    select distinct
        w.week_id,
        hash('data', f.vehicle_id) as row_hash
    from wanted as w
    inner join file_spans as f on w.from_at <= f.last_at and w.to_at > f.first_at
),

facts as (
    select
        week_id,
        sum(row_hash)::varchar as facts_hash
    from fact_rows
    group by week_id
),

lists as (
    select
        week_id,
        sum(hash(stop_id, outcome, why, site_id))::varchar as stop_list_hash
    from stops
    group by week_id
)

select
    w.week_id,
    coalesce(f.facts_hash, '0') as facts_hash,
    coalesce(l.stop_list_hash, '0') as stop_list_hash
from wanted as w
left join facts as f on w.week_id = f.week_id
left join lists as l on w.week_id = l.week_id
order by w.week_id
