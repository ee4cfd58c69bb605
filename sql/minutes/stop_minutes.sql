-- stop_minutes: one row per DC stop seen in the samples with its reference time. A stop of which
-- any active step has no reference has none.
-- Inputs: interval_reference. Parameters: none.
select
    vehicle_id,
    charge_no,
    case when count(reference_min) = count(*) then sum(reference_min) end as reference_min,
    case
        when count(reference_min) = count(*) then sum(reference_min) - sum(curve_min)
    end as site_limit_min,
    count(soc_mid_pct) < count(*) as is_soc_missing
from interval_reference
group by vehicle_id, charge_no
