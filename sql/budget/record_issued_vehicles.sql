-- Keeps the budget that was issued. Inputs: fresh_issued_budget_vehicles.
insert into issued_budget_vehicles by name
select * from fresh_issued_budget_vehicles
