-- Writes what was learned for one week. Inputs: fresh_fitted_cold_limits.
insert into fitted_cold_limits by name
select * from fresh_fitted_cold_limits
