-- Whether old edges are removed, as a session was told: how long they are kept,
-- and the largest size of the log. 0: without a limit; NULL: a session of before.
ALTER TABLE sessions ADD COLUMN keep_raw_ns INTEGER;
ALTER TABLE sessions ADD COLUMN max_bytes INTEGER;

-- A session that is a recording which was imported: the contact that it is of.
-- NULL: the program ran then. Sessions of imports may lie beside each other in
-- run time, each of another contact. One with ended = 0 is not whole: readers
-- leave it out, and the next start removes it.
ALTER TABLE sessions ADD COLUMN imported INTEGER REFERENCES contacts;
