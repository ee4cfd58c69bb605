-- Keeps from when on samples are there, so that no earlier week is computed again.
-- Parameters: now, samples_from_at.
insert into retention_marks (marked_at, samples_from_at)
values ($now, $samples_from_at)
