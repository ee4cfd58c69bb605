-- Writes the scope's idle warming. Inputs: idle_warming_rows.
insert into idle_warming by name
select * from idle_warming_rows
