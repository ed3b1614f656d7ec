-- What each lobe of an interrupter did in about an hour: the errors of its
-- openings and breaks about the median of the lobes. They stay when the edges
-- that they come from are removed.
CREATE TABLE lobe_hours (
  contact   INTEGER NOT NULL REFERENCES contacts,
  session   INTEGER NOT NULL REFERENCES sessions,
  mono_ns   INTEGER NOT NULL,  -- start
  length_ns INTEGER NOT NULL,
  numbering INTEGER NOT NULL,  -- as in lobe_marks
  figures   TEXT NOT NULL CHECK (json_valid(figures)),  -- one of each lobe, in order
  PRIMARY KEY (contact, session, mono_ns)
) STRICT, WITHOUT ROWID;
