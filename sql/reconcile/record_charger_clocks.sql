-- Writes a week's rows of charger_clocks. Input: charger_clocks_rows, with all its columns.
insert into charger_clocks by name
select * from charger_clocks_rows
