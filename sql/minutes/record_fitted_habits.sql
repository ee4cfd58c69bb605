-- Writes what was learned for one week. Inputs: fresh_fitted_habits.
insert into fitted_habits by name
select * from fresh_fitted_habits
