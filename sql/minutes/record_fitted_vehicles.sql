-- Writes what was learned for one week. Inputs: fresh_fitted_vehicles.
insert into fitted_vehicles by name
select * from fresh_fitted_vehicles
