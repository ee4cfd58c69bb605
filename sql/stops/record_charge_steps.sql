-- Writes the scope's charge steps. Inputs: charge_step_rows.
insert into charge_steps by name
select * from charge_step_rows
