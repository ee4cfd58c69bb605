-- Writes the scope's stops. Inputs: stop_rows.
insert into stops by name
select * from stop_rows
