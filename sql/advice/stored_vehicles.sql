-- stored_vehicles: one row per vehicle whose own level against its model's curve was fitted for one
-- week.
-- Inputs: fitted_vehicles. Parameters: fit_week_id.
select * from fitted_vehicles
where fit_week_id = $fit_week_id
order by vehicle_id
