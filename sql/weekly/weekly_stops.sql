-- weekly_stops: one row per DC stop of the week, with names for print and the file that shows its
-- plug-in. A rental stop carries its local date and no time.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, driver_labels, weekly_stop_files.
-- Parameters: week_id, zone.
-- First and last row are those of that one file; files_n says whether there are others.
with counts as (
    select
        stop_id,
        count(*) as files_n
    from weekly_stop_files
    group by stop_id
)

select
    s.* exclude (first_file_row, last_file_row),
    coalesce(p.first_file_row, s.first_file_row) as first_file_row,
    coalesce(p.last_file_row, s.last_file_row) as last_file_row,
    i.file_path,
    i.content_sha256 as file_sha256,
    coalesce(c.files_n, 0) as files_n,
    v.vehicle_name,
    v.model_name,
    coalesce(f.site_name, s.site_id) as site_name,
    d.driver_label,
    timezone($zone, s.plug_in_at)::date as plug_in_date,
    case when s.vehicle_use != 'rental' then timezone($zone, s.plug_in_at) end as plug_in_local,
    epoch(s.plug_out_at - s.plug_in_at) / 60 as stay_min,
    s.arrival_cell_temp_min_degc < v.warm_threshold_degc - v.warm_tolerance_kelvin
        as is_cold_arrival
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
left join driver_labels as d on s.driver_id = d.driver_id
left join files as i on s.first_file_id = i.file_id
left join weekly_stop_files as p on s.stop_id = p.stop_id and s.first_file_id = p.file_id
left join counts as c on s.stop_id = c.stop_id
where s.week_id = $week_id
order by s.vehicle_id, s.plug_in_at
