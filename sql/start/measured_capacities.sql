-- measured_capacities: one row per vehicle whose charge rose by at least gained_pct in all while
-- power went into the pack: energy in over the share gained.
-- Inputs: samples. Parameters: gained_pct.
with steps as (
    select
        vehicle_id,
        soc_pct,
        pack_power_kw,
        lead(soc_pct) over later as next_soc_pct,
        lead(pack_power_kw) over later as next_power_kw,
        epoch(lead(sampled_at) over later) - epoch(sampled_at) as step_s
    from samples
    where soc_pct is not null and pack_power_kw is not null
    window later as (partition by vehicle_id order by sampled_at)
),

sums as (
    select
        vehicle_id,
        sum(next_soc_pct - soc_pct) as gained_pct,
        sum((pack_power_kw + next_power_kw) / 2 * step_s / 3600) as energy_kwh
    from steps
    where
        step_s <= 300
        and pack_power_kw >= 2
        and next_power_kw >= 2
        and next_soc_pct >= soc_pct
    group by vehicle_id
)

select
    vehicle_id,
    gained_pct,
    energy_kwh / gained_pct * 100 as usable_kwh
from sums
where gained_pct >= $gained_pct
order by vehicle_id
