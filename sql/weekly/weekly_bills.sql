-- weekly_bills: one row, or none in a week without bills and chargers' logs: the week's charges by
-- what vehicle, charger and bill say, counted, with energy and money. Sums are null where no
-- charge of the kind has the figure.
-- Inputs: weekly_reconciliation, weekly_sides, weekly_unlinked_bills.
-- Parameters: cost_tolerance_rate, cost_least_cost.
-- Of an idle fee it is known that it was paid where the bill agrees with the site's tariff.
with charges as (
    select
        *,
        coalesce(
            is_billed
            and status in ('idle_fee', 'energy_differs')
            and idle_fee_cost >= 0.005
            and abs(billed_cost - expected_cost)
            <= greatest($cost_tolerance_rate * expected_cost, $cost_least_cost),
            false
        ) as is_fee_paid
    from weekly_reconciliation
)

select
    w.bills_n as records_n,
    w.readings_n,
    (select count(*) from weekly_unlinked_bills) as unlinked_records_n,
    count(c.vehicle_id) as charges_n,
    count(*) filter (where c.is_billed) as billed_n,
    sum(c.billed_cost) as billed_cost,
    count(*) filter (where c.is_seen and c.is_billed) as seen_billed_n,
    sum(c.billed_kwh) filter (where c.is_seen) as seen_billed_kwh,
    sum(c.billed_cost) filter (where c.is_seen) as seen_billed_cost,
    count(*) filter (where c.why = 'own_charger') as own_charger_n,
    count(*) filter (where c.status = 'seen_never_billed' and c.is_exception) as never_billed_n,
    sum(c.expected_kwh) filter (where c.status = 'seen_never_billed' and c.is_exception)
        as never_billed_kwh,
    sum(-c.difference_cost) filter (where c.status = 'seen_never_billed') as never_billed_cost,
    count(c.difference_cost) filter (where c.status = 'seen_never_billed') as never_billed_priced_n,
    count(*) filter (where c.why = 'no_charge_then' and c.is_exception) as never_seen_n,
    sum(c.billed_kwh) filter (where c.why = 'no_charge_then' and c.is_exception)
        as never_seen_kwh,
    sum(c.difference_cost) filter (where c.why = 'no_charge_then') as never_seen_cost,
    count(*) filter (where c.why = 'billed_twice') as billed_twice_n,
    sum(c.billed_kwh) filter (where c.why = 'billed_twice') as billed_twice_kwh,
    sum(c.difference_cost) filter (where c.why = 'billed_twice') as billed_twice_cost,
    count(*) filter (where c.why = 'above_received' and c.is_billed and c.is_exception)
        as energy_above_n,
    sum(c.unexplained_kwh) filter (where c.why = 'above_received' and c.is_billed)
        as energy_above_kwh,
    sum(c.difference_cost) filter (where c.why = 'above_received') as energy_above_cost,
    count(*) filter (where c.why = 'below_received' and c.is_billed and c.is_exception)
        as energy_below_n,
    sum(c.unexplained_kwh) filter (where c.why = 'below_received' and c.is_billed)
        as energy_below_kwh,
    sum(c.difference_cost) filter (where c.why = 'below_received') as energy_below_cost,
    count(*) filter (where c.status = 'energy_differs' and c.is_exception and not c.is_billed)
        as charger_differs_n,
    sum(c.unexplained_kwh) filter (where not c.is_billed) as charger_differs_kwh,
    count(*) filter (where c.why = 'above_tariff') as cost_above_n,
    sum(c.difference_cost) filter (where c.why = 'above_tariff') as cost_above_cost,
    count(*) filter (where c.why = 'below_tariff') as cost_below_n,
    sum(c.difference_cost) filter (where c.why = 'below_tariff') as cost_below_cost,
    count(*) filter (where c.is_fee_paid) as idle_fee_n,
    sum(c.idle_fee_cost) filter (where c.is_fee_paid) as idle_fee_cost,
    count(*) filter (where c.not_claimed_why = 'vehicle_silent') as vehicle_silent_n,
    sum(c.billed_cost) filter (where c.not_claimed_why = 'vehicle_silent') as vehicle_silent_cost,
    count(*) filter (where c.not_claimed_why = 'not_billed_yet') as not_billed_yet_n,
    count(*) filter (where c.not_claimed_why = 'bill_unlinked') as bill_unlinked_n,
    count(*) filter (where c.not_claimed_why = 'place_unknown') as place_unknown_n,
    count(*) filter (where c.not_claimed_why = 'site_never_bills') as site_never_bills_n,
    count(*) filter (where c.not_claimed_why = 'clock_not_set') as clock_not_set_n,
    count(*) filter (where c.not_claimed_why in ('heating_unknown', 'heated_at_plug'))
        as heating_n,
    count(*) filter (where c.why = 'energy_not_judged') as energy_not_judged_n,
    count(*) filter (where c.why = 'no_log') as no_log_n,
    count(*) filter (where c.is_billed and c.expected_cost is null) as no_tariff_n,
    count(*) filter (where c.is_exception) as exceptions_n
from weekly_sides as w
left join charges as c on true
where w.bills_n + w.readings_n > 0
group by w.bills_n, w.readings_n
