-- Whether old edges are removed, as a session was told: how long they are kept,
-- and the largest size of the log. 0: without a limit; NULL: a session of before.
ALTER TABLE sessions ADD COLUMN keep_raw_ns INTEGER;
ALTER TABLE sessions ADD COLUMN max_bytes INTEGER;
