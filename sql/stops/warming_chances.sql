-- warming_chances: one row per charge with a charging place set before plug-in: was the charge
-- above the vehicle's cut-off, and for how long, while it could have warmed?
-- Inputs: destinations, stop_intervals, approach_totals, vehicle_settings. Parameters: none.
with windows as (
    select
        d.vehicle_id,
        d.charge_no,
        greatest(d.destination_set_at, a.lead_start_at) as chance_from_at
    from destinations as d
    inner join approach_totals as a on d.vehicle_id = a.vehicle_id and d.charge_no = a.charge_no
    where d.destination_kind = 'charging_place'
)

select
    w.vehicle_id,
    w.charge_no,
    max(i.soc_pct) as chance_soc_max_pct,
    coalesce(
        sum(epoch(i.to_at - greatest(i.from_at, w.chance_from_at)))
        filter (where i.soc_pct > v.warming_cutoff_soc_pct),
        0
    ) / 60 as chance_min
from windows as w
inner join vehicle_settings as v on w.vehicle_id = v.vehicle_id
left join stop_intervals as i
    on w.vehicle_id = i.vehicle_id
    and w.charge_no = i.charge_no
    and not i.is_at_plug
    and w.chance_from_at < i.to_at
group by w.vehicle_id, w.charge_no
