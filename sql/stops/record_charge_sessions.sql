-- Writes the scope's charges. Inputs: charge_rows.
insert into charge_sessions by name
select * from charge_rows
