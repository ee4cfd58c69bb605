-- issued_vehicles: one row per scenario, vehicle, month and quantity of the budget that was issued.
-- Inputs: issued_budget_vehicles. Parameters: season_id.
select
    scenario,
    vehicle_id,
    month_id,
    quantity,
    mean_value
from issued_budget_vehicles
where season_id = $season_id
order by scenario, vehicle_id, month_id, quantity
