-- stored_sites: one row per site whose limit was learned from plateaus for one week.
-- Inputs: fitted_sites. Parameters: fit_week_id.
select * from fitted_sites
where fit_week_id = $fit_week_id
order by site_id
