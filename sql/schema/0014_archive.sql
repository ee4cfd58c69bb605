-- archive_reading: one row while exports in the archive are to be read again, because their mapping
-- has changed or the warehouse is new. It goes when all of them are read, so that a reading that
-- was broken off is taken up again.
create table archive_reading (begun_at timestamptz not null);
