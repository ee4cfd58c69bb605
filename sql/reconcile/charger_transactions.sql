-- charger_transactions: one row per transaction that a charger's log shows, begun in the window.
-- Inputs: charger_readings, charger_sites, card_holders.
-- Parameters: window_from_at, window_to_at (half-open).
-- Energy is the rise of the register; without one, the sum of the intervals. An end of a
-- transaction does not name its connector in every version, so that is no part of the key. The
-- charger as a whole (connector 0) is nobody's charge. The vehicle is that of the card used.
with totals as (
    select
        charger_id,
        transaction_id,
        max(connector_id) as connector_id,
        min(read_at) as begins_at,
        max(read_at) as ends_at,
        max(id_token) as id_token,
        count(energy_register_kwh) as registers_n,
        arg_max(energy_register_kwh, read_at) - arg_min(energy_register_kwh, read_at)
            as rise_kwh,
        sum(energy_interval_kwh) as intervals_kwh,
        max(power_kw) as power_max_kw,
        max(power_offered_kw) as site_offered_kw,
        min(power_offered_kw) as offered_least_kw,
        arg_min(soc_pct, read_at) as soc_start_pct,
        arg_max(soc_pct, read_at) as soc_end_pct
    from charger_readings
    where
        transaction_id is not null
        and coalesce(connector_id, 1) != 0
        and read_at >= $window_from_at - interval 2 day
        and read_at < $window_to_at + interval 2 day
    group by charger_id, transaction_id
),

holders as (
    select
        t.charger_id,
        t.transaction_id,
        any_value(h.vehicle_id) as vehicle_id
    from totals as t
    inner join card_holders as h
        on lower(t.id_token) = h.token
        and t.begins_at >= h.from_at
        and t.begins_at < h.to_at
    group by t.charger_id, t.transaction_id
)

select
    t.charger_id,
    t.transaction_id,
    t.connector_id,
    t.begins_at,
    t.ends_at,
    s.site_id,
    h.vehicle_id,
    case
        when t.registers_n > 1 and t.rise_kwh >= 0 then t.rise_kwh
        when t.intervals_kwh >= 0 then t.intervals_kwh
    end as charger_kwh,
    t.power_max_kw,
    t.site_offered_kw,
    t.offered_least_kw,
    t.soc_start_pct,
    t.soc_end_pct
from totals as t
left join charger_sites as s on t.charger_id = s.charger_id
left join holders as h
    on t.charger_id = h.charger_id and t.transaction_id = h.transaction_id
where t.begins_at >= $window_from_at and t.begins_at < $window_to_at
order by t.charger_id, t.transaction_id
