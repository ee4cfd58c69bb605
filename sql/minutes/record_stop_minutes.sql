-- Writes the minutes of each stop of the window. Inputs: fresh_stop_minutes.
insert into stop_minutes by name
select * from fresh_stop_minutes
