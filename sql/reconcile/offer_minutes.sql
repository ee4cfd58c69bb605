-- offer_minutes: one row per transaction with the minutes in which the charger, not the vehicle,
-- set the power. Inputs: charger_readings. Parameters: window_from_at, window_to_at (half-open).
-- Held back: the vehicle took all of an offer that lay below the transaction's highest. A reading
-- stands for the time to the next one, for five minutes at most. A state lasts until it changes.
with steps as (
    select
        charger_id,
        transaction_id,
        power_kw,
        power_offered_kw,
        max(power_offered_kw) over transactions as site_offered_kw,
        last_value(charging_state ignore nulls) over so_far as charging_state,
        least(epoch(lead(read_at) over so_far - read_at) / 60, 5) as step_min
    from charger_readings
    where
        transaction_id is not null
        and read_at >= $window_from_at
        and read_at < $window_to_at
    window
        transactions as (partition by charger_id, transaction_id),
        so_far as (partition by charger_id, transaction_id order by read_at, file_id, file_row)
)

select
    charger_id,
    transaction_id,
    case
        when max(site_offered_kw) is not null and count(power_kw) > 0
            then coalesce(
                sum(step_min) filter (
                    where power_kw >= 0.95 * power_offered_kw
                    and power_offered_kw < 0.95 * site_offered_kw
                ),
                0
            )
    end as held_back_min,
    case
        when count(charging_state) > 0
            then coalesce(sum(step_min) filter (where charging_state = 'SuspendedEVSE'), 0)
    end as suspended_by_site_min
from steps
group by charger_id, transaction_id
