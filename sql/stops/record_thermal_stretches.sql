-- Writes the scope's stretches for the thermal fit. Inputs: stretch_rows.
insert into thermal_stretches by name
select * from stretch_rows
