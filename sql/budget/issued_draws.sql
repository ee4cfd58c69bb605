-- issued_draws: one row per scenario, winter, month and quantity of the budget that was issued.
-- Inputs: issued_budget_draws. Parameters: season_id.
select
    scenario,
    winter_no,
    month_id,
    quantity,
    drawn_value
from issued_budget_draws
where season_id = $season_id
order by scenario, winter_no, month_id, quantity
