-- weekly_reconciliation: one row per charge of the week as vehicle, charger and bill show it, with
-- what differs in energy and money, and why nothing is claimed where the evidence does not carry.
-- Empty in a week without bills and chargers' logs. A rental carries its local date and no time,
-- and no number of a biller or a charger, which may hold one.
-- Inputs: reconciliation, charger_clocks, reported_sessions, samples, files, stops, fleet_sites,
-- vehicle_settings, weekly_sides, weekly_unlinked_bills. Parameters: week_id, from_at, to_at, zone,
-- charging_efficiency, efficiency_tolerance, source_silent_d.
-- unexplained_kwh: what the meter shows beyond the most, or short of the least, that losses
-- explain. What heated the battery at the plug went through the meter too and is taken off; where
-- it was not measured, a pack that may have been cold leaves nothing to claim.
-- difference_cost: positive where more was billed than the evidence shows, negative where less.
-- A charge that no bill shows is told only where every source that bills its site (and is not
-- silent for long) has sent bills of later charges; that a vehicle did not charge, only where its
-- samples leave no more than half of the time billed open.
with site_sources as (
    select distinct
        s.site_id,
        f.source_id
    from reported_sessions as r
    inner join files as f on r.file_id = f.file_id
    inner join fleet_sites as s
        on r.site_id = s.site_id
        or distance_m(r.latitude_deg, r.longitude_deg, s.latitude_deg, s.longitude_deg)
        <= s.radius_m
    where r.total_cost is not null
),

source_reaches as (
    select
        f.source_id,
        max(r.plug_in_at) as told_until_at
    from reported_sessions as r
    inner join files as f on r.file_id = f.file_id
    where r.total_cost is not null
    group by f.source_id
),

site_reaches as (
    select
        s.site_id,
        min(x.told_until_at) as told_until_at
    from site_sources as s
    inner join source_reaches as x on s.source_id = x.source_id
    where x.told_until_at >= $to_at - to_days($source_silent_d::integer)
    group by s.site_id
),

laid_out as (
    select
        r.*,
        coalesce(v.vehicle_name, r.vehicle_id) as vehicle_name,
        coalesce(s.site_name, r.site_id) as site_name,
        f.file_path as bill_file_path,
        f.content_sha256 as bill_file_sha256,
        r.vehicle_use = 'rental' as is_rental,
        r.seen_at is not null as is_seen,
        r.bills_n > 0 as is_billed,
        c.charger_id is not null as is_clock_set,
        coalesce(r.billed_kwh, r.charger_kwh) as metered_kwh,
        coalesce(r.seen_at, r.billed_at) as begins_at,
        x.told_until_at,
        coalesce(
            p.plug_heating_kwh,
            case
                when
                    p.arrival_cell_temp_min_degc
                    >= v.warm_threshold_degc - v.warm_tolerance_kelvin
                    then 0
            end
        ) as plug_heating_kwh
    from reconciliation as r
    inner join weekly_sides as w on w.bills_n + w.readings_n > 0
    left join vehicle_settings as v on r.vehicle_id = v.vehicle_id
    left join fleet_sites as s on r.site_id = s.site_id
    left join files as f on r.bill_file_id = f.file_id
    left join charger_clocks as c on r.week_id = c.week_id and r.charger_id = c.charger_id
    left join site_reaches as x on r.site_id = x.site_id
    left join stops as p on r.stop_id = p.stop_id
    where r.week_id = $week_id
),

maybe_unlinked as (
    select distinct l.row_no
    from laid_out as l
    inner join weekly_unlinked_bills as u
        on u.begins_at is null
        or u.begins_at between l.begins_at - interval 1 day and l.begins_at + interval 1 day
    where l.status = 'seen_never_billed'
),

stays as (
    select
        l.row_no,
        r.vehicle_id,
        r.plug_in_at,
        -- A bill that knows only the day may give its midnight twice.
        case
            when r.plug_out_at > r.plug_in_at then r.plug_out_at
            else r.plug_in_at + interval 1 day
        end as plug_out_at
    from laid_out as l
    inner join reported_sessions as r
        on l.bill_file_id = r.file_id and l.bill_file_row = r.file_row
    where l.why = 'no_charge_then'
),

marks as (
    select
        row_no,
        unnest([plug_in_at, plug_out_at]) as marked_at
    from stays
    union all
    select
        s.row_no,
        m.sampled_at as marked_at
    from stays as s
    inner join samples as m
        on s.vehicle_id = m.vehicle_id
        and s.plug_in_at < m.sampled_at
        and s.plug_out_at > m.sampled_at
    -- Of years of samples only those about the week are looked at.
    where m.sampled_at >= $from_at and m.sampled_at < $to_at + interval 3 day
),

silences as (
    select
        row_no,
        epoch(marked_at - lag(marked_at) over (partition by row_no order by marked_at))
            as silence_s
    from marks
),

unheard as (
    select s.row_no
    from stays as s
    inner join silences as q on s.row_no = q.row_no
    group by s.row_no, s.plug_in_at, s.plug_out_at
    having max(q.silence_s) > 0.5 * epoch(s.plug_out_at - s.plug_in_at)
),

measured as (
    select
        l.*,
        case
            when l.status = 'energy_differs' and l.why = 'above_received'
                then
                    l.metered_kwh
                    - (l.received_kwh + l.plug_heating_kwh)
                    / ($charging_efficiency - $efficiency_tolerance)
            when l.status = 'energy_differs'
                then
                    l.metered_kwh
                    - l.received_kwh / ($charging_efficiency + $efficiency_tolerance)
        end as unexplained_kwh
    from laid_out as l
),

judged as (
    select
        m.*,
        case
            when h.row_no is not null then 'vehicle_silent'
            when m.why in ('vehicle_silent', 'site_never_bills') then m.why
            when m.status = 'seen_never_billed' and m.site_id is null then 'place_unknown'
            when m.status = 'seen_never_billed' and u.row_no is not null then 'bill_unlinked'
            when
                m.status = 'seen_never_billed'
                and coalesce(m.begins_at >= m.told_until_at, true)
                then 'not_billed_yet'
            when m.status = 'energy_differs' and not m.is_billed and not m.is_clock_set
                then 'clock_not_set'
            when m.why = 'above_received' and m.plug_heating_kwh is null then 'heating_unknown'
            when m.why = 'above_received' and m.unexplained_kwh <= 0 then 'heated_at_plug'
        end as not_claimed_why
    from measured as m
    left join maybe_unlinked as u on m.row_no = u.row_no
    left join unheard as h on m.row_no = h.row_no
)

select
    vehicle_id,
    vehicle_name,
    vehicle_use,
    site_id,
    site_name,
    status,
    why,
    not_claimed_why,
    status != 'matched' and not_claimed_why is null as is_exception,
    is_rental,
    is_seen,
    is_billed,
    charger_id is not null as is_charger_seen,
    is_clock_set,
    stop_id,
    timezone($zone, begins_at)::date as charge_date,
    case when not is_rental then timezone($zone, begins_at) end as charge_local,
    case when not is_rental then seen_at end as seen_at,
    case when not is_rental then billed_at end as billed_at,
    charger_id,
    case when not is_rental then transaction_id end as transaction_id,
    case when not is_rental then record_id end as record_id,
    received_kwh,
    expected_kwh,
    charger_kwh,
    billed_kwh,
    case when not_claimed_why is null then unexplained_kwh end as unexplained_kwh,
    billed_cost,
    expected_cost,
    idle_fee_cost,
    case
        when not_claimed_why is not null then null
        when status = 'billed_never_seen' then billed_cost
        when status = 'seen_never_billed' then -expected_cost
        when status = 'energy_differs' and is_billed and billed_kwh > 0
            then unexplained_kwh * billed_cost / billed_kwh
        when status = 'cost_differs' then billed_cost - expected_cost
    end as difference_cost,
    bills_n,
    bill_file_path,
    bill_file_sha256,
    bill_file_row
from judged
order by charge_date, charge_local nulls last, vehicle_name, bill_file_path, bill_file_row
