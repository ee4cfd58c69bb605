-- Removes findings about people not made again since. Parameters: people_before_week_id.
delete from people_findings
where last_week_id < $people_before_week_id
