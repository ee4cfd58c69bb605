-- strong_charges: one row per charge that held more than 1.1 times the model's AC maximum for
-- dc_proof_s without a break: no AC charge can (method, section 3).
-- Inputs: stop_intervals, charge_totals, vehicle_settings. Parameters: dc_proof_s.
-- Only charges that the export does not call DC, and that ever exceed that power, are looked at
-- step by step.
with doubtful as (
    select
        t.vehicle_id,
        t.charge_no,
        1.1 * v.ac_max_kw as ac_limit_kw
    from charge_totals as t
    inner join vehicle_settings as v on t.vehicle_id = v.vehicle_id
    where not coalesce(t.is_dc_said, false) and t.power_max_kw > 1.1 * v.ac_max_kw
),

steps as (
    select
        i.vehicle_id,
        i.charge_no,
        i.from_at,
        i.to_at,
        i.state = 'active' and i.pack_kw > d.ac_limit_kw as is_strong
    from stop_intervals as i
    inner join doubtful as d on i.vehicle_id = d.vehicle_id and i.charge_no = d.charge_no
    where i.is_at_plug
),

runs as (
    select
        *,
        count(*) filter (where not is_strong) over (
            partition by vehicle_id, charge_no order by from_at
        ) as run_no
    from steps
),

lengths as (
    select
        vehicle_id,
        charge_no,
        epoch(max(to_at) - min(from_at)) as run_s
    from runs
    where is_strong
    group by vehicle_id, charge_no, run_no
)

select
    vehicle_id,
    charge_no
from lengths
group by vehicle_id, charge_no
having max(run_s) >= $dc_proof_s
