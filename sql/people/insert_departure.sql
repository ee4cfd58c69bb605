-- One row per document that leaves the folder. Parameters: now, week_id, what, channel, has_people.
insert into departures (departed_at, week_id, what, channel, has_people)
values ($now, $week_id, $what, $channel, $has_people)
