-- reconciled: one row per charge of a week with what vehicle, charger and bill say of it.
-- Inputs: reconciliation, fleet_sites, vehicle_settings, files. Parameters: week_id.
select
    r.* exclude (bill_file_id),
    coalesce(s.site_name, r.site_id) as site_name,
    coalesce(v.vehicle_name, r.vehicle_id) as vehicle_name,
    f.file_path as bill_file_path
from reconciliation as r
left join fleet_sites as s on r.site_id = s.site_id
left join vehicle_settings as v on r.vehicle_id = v.vehicle_id
left join files as f on r.bill_file_id = f.file_id
where r.week_id = $week_id
order by r.row_no
