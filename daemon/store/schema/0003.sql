-- A session that is a recording which was imported: the contact that it is of.
-- NULL: the program ran then. Sessions of imports may lie beside each other in
-- run time, each of another contact. One with ended = 0 is not whole: readers
-- leave it out, and the next start removes it.
ALTER TABLE sessions ADD COLUMN imported INTEGER REFERENCES contacts;
