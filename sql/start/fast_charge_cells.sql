-- fast_charge_cells: one row per grid cell in which vehicles stood and took at least fast_kw, or
-- any power where the mode says DC.
-- Inputs: samples. Parameters: cell_deg (side of a cell in latitude), fast_kw.
with standing as (
    select
        vehicle_id,
        latitude_deg,
        longitude_deg,
        pack_power_kw,
        site_id,
        sampled_at::date as day,
        floor(latitude_deg / $cell_deg)::bigint as row_n,
        -- A degree of longitude shrinks towards the poles; a cell should stay about square.
        floor(longitude_deg * cos(radians(floor(latitude_deg))) / $cell_deg)::bigint as column_n
    from samples
    where
        latitude_deg is not null
        and longitude_deg is not null
        and coalesce(speed_kmh, 0) < 1
        and (pack_power_kw >= $fast_kw or (charge_mode = 'dc' and pack_power_kw >= 1))
)

select
    row_n,
    column_n,
    avg(latitude_deg) as latitude_deg,
    avg(longitude_deg) as longitude_deg,
    max(pack_power_kw) as power_max_kw,
    count(*) as samples_n,
    count(distinct concat_ws(' ', vehicle_id, day)) as visits_n,
    list(distinct site_id) filter (where site_id is not null) as words
from standing
group by all
order by row_n, column_n
