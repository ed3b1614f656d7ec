-- Lobes of interrupters: openings whose lobe is known. Marks are written when
-- lobes get their numbers, about hourly, and at a stop. Marks of a contact
-- with the same numbering and the same number of lobes tell numbers of the
-- same lobes; a numbering begins when neither the phase nor the lobes' errors
-- told which lobe is which.
CREATE TABLE lobe_marks (
  id        INTEGER PRIMARY KEY,
  contact   INTEGER NOT NULL REFERENCES contacts,
  session   INTEGER NOT NULL REFERENCES sessions,
  mono_ns   INTEGER NOT NULL,  -- an opening
  numbering INTEGER NOT NULL,  -- of the contact, from 1
  lobes     INTEGER NOT NULL,  -- of the cam
  lobe      INTEGER NOT NULL,  -- that opened, from 1
  signature TEXT CHECK (json_valid(signature))  -- errors of all lobes until then; NULL: not known
) STRICT;
CREATE INDEX lobe_mark_times ON lobe_marks (contact, session, mono_ns);

-- Notes that say which lobe is number 1 on the cam. The latest of a numbering
-- holds, for all of its marks.
CREATE TABLE lobe_ones (
  note      INTEGER PRIMARY KEY REFERENCES notes,
  contact   INTEGER NOT NULL REFERENCES contacts,
  numbering INTEGER NOT NULL,
  lobes     INTEGER NOT NULL,
  lobe      INTEGER NOT NULL   -- as the marks number it
) STRICT;
