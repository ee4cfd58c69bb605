-- Writes what was learned for one week. Inputs: fresh_fitted_sites.
insert into fitted_sites by name
select * from fresh_fitted_sites
