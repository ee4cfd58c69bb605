-- Writes what was learned for one week. Inputs: fresh_fitted_curves.
insert into fitted_curves by name
select * from fresh_fitted_curves
