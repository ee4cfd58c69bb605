-- named_places: one row per name of a place at which a fast charge is reported.
-- Inputs: samples, reported_sessions. Parameters: fast_kw.
with named as (
    select
        site_id,
        pack_power_kw as power_kw,
        latitude_deg,
        longitude_deg
    from samples
    where
        site_id is not null
        and (pack_power_kw >= $fast_kw or (charge_mode = 'dc' and pack_power_kw >= 1))
    union all
    select
        site_id,
        power_max_kw as power_kw,
        latitude_deg,
        longitude_deg
    from reported_sessions
    where
        site_id is not null
        and (charge_mode = 'dc' or power_max_kw >= $fast_kw)
)

select
    site_id,
    max(power_kw) as power_max_kw,
    median(latitude_deg) as latitude_deg,
    median(longitude_deg) as longitude_deg
from named
group by site_id
order by site_id
