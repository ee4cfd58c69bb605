-- Keeps the budget that was issued. Inputs: fresh_issued_budget_draws.
insert into issued_budget_draws by name
select * from fresh_issued_budget_draws
