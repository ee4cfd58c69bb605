-- Writes what was learned for one week. Inputs: fresh_fitted_models.
insert into fitted_models by name
select * from fresh_fitted_models
