-- reported_minutes: one row per reported DC stop of a known model with charge in and out: the
-- time a warm pack would have needed, energy spread evenly over the charge gained.
-- Inputs: reported_stops, vehicle_settings, reference_curves. Parameters: none.
-- Curve bins are half a per cent wide; those at the ends count by their overlap.
select
    r.vehicle_id,
    r.report_no,
    sum(
        r.energy_kwh
        * (least(r.soc_end_pct, c.soc_bin / 2 + 0.5) - greatest(r.soc_start_pct, c.soc_bin / 2))
        / (r.soc_end_pct - r.soc_start_pct)
        / least(c.reference_kw, coalesce(r.site_power_kw, c.reference_kw))
    ) * 60 as reference_min
from reported_stops as r
inner join vehicle_settings as v on r.vehicle_id = v.vehicle_id
inner join reference_curves as c
    on v.model_id = c.model_id
    and r.soc_end_pct > c.soc_bin / 2
    and r.soc_start_pct < c.soc_bin / 2 + 0.5
where r.mode = 'dc' and r.evidence_grade = 'D' and r.soc_end_pct > r.soc_start_pct
group by r.vehicle_id, r.report_no
