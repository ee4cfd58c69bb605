-- Records that the retention ran and a backup was made. Inputs: none. Parameters: week_id.
insert into tidied_weeks
select $week_id as week_id
