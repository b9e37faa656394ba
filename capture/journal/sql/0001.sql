-- The journal, version 1. Times are UTC milliseconds since 1970; ids are the 16 bytes of a UUID.

-- What was done, by whom and why: an analyser's result, a person's command, the service's own doing.
CREATE TABLE acts (
  seq         INTEGER PRIMARY KEY,
  kind        TEXT    NOT NULL,     -- begun, used, joined, opened, heard, ended ...
  who         TEXT    NOT NULL,     -- 'service', 'analyser', or the initials that a person stated
  asker       TEXT,                 -- a person's act: the user of the operating system, by the kernel's word
  analyser    TEXT,
  test        BLOB,                 -- the breath test it belongs to
  stream      INTEGER,              -- streams.no and items.n, where an item is the cause
  item        INTEGER,
  happened_ms INTEGER NOT NULL,
  recorded_ms INTEGER NOT NULL,
  why         TEXT,
  state       TEXT,                 -- the analyser's state from here on, as JSON; NULL = unchanged
  body        TEXT                  -- what belongs to this kind of act, as JSON
) STRICT;
CREATE INDEX acts_state ON acts (analyser, seq) WHERE state IS NOT NULL;
CREATE INDEX acts_kind ON acts (kind, seq) WHERE kind <> 'heard';
CREATE INDEX acts_test ON acts (test, seq) WHERE test IS NOT NULL;
CREATE INDEX acts_duplicate ON acts (stream, item) WHERE kind = 'duplicate';

-- All acts but the millions of results: rare, and found by their kind through the index above.
CREATE VIEW deeds AS SELECT * FROM acts WHERE kind <> 'heard';

-- Everything received during one opening of a port.
CREATE TABLE streams (
  no        INTEGER PRIMARY KEY,
  id        BLOB    NOT NULL UNIQUE,
  analyser  TEXT    NOT NULL,
  opened_ms INTEGER NOT NULL,
  head      TEXT    NOT NULL,       -- all that is fixed when a port opens, as JSON
  over      INTEGER NOT NULL DEFAULT 0  -- 1: one of its chunks says why it ended
) STRICT;
CREATE INDEX streams_open ON streams (analyser) WHERE over = 0;

-- The bytes and marks of one commit, written as the lines of a recording.
CREATE TABLE chunks (
  stream   INTEGER NOT NULL REFERENCES streams (no),
  no       INTEGER NOT NULL,        -- its place among the stream's commits, from 1
  first    INTEGER NOT NULL,        -- stream offset of the first byte
  size     INTEGER NOT NULL,        -- bytes
  heard_ms INTEGER NOT NULL,        -- when its first entry was read
  rest     INTEGER NOT NULL,        -- 1: a fresh decoder may begin after this row
  items    INTEGER NOT NULL,        -- items of the stream up to and with this row
  ended    TEXT,                    -- why the stream ends here
  script   TEXT    NOT NULL,
  PRIMARY KEY (stream, no)
) STRICT, WITHOUT ROWID;
CREATE INDEX chunks_time ON chunks (heard_ms);
CREATE INDEX chunks_ended ON chunks (stream) WHERE ended IS NOT NULL;

-- After years of unplugged cables the few open streams are found without a walk through the many that are over.
CREATE TRIGGER chunks_last AFTER INSERT ON chunks WHEN NEW.ended IS NOT NULL BEGIN
  UPDATE streams SET over = 1 WHERE no = NEW.stream;
END;

-- What a driver made of the bytes; every byte of a stream is in exactly one item.
CREATE TABLE items (
  stream   INTEGER NOT NULL REFERENCES streams (no),
  n        INTEGER NOT NULL,
  kind     TEXT    NOT NULL,        -- result, progress, event, refused, noise
  first    INTEGER NOT NULL,        -- lowest and highest offset it touches (half open)
  last     INTEGER NOT NULL,
  spans    TEXT,                    -- 'a-b c-d' where it is more than one run; NULL = first to last
  heard_ms INTEGER NOT NULL,
  detail   TEXT,                    -- refused: why and rule; event: name; noise: note
  record   INTEGER,                 -- records.seq of the record it was made into at once
  PRIMARY KEY (stream, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX items_refused ON items (heard_ms) WHERE kind = 'refused';

-- The open records. A record's text is written once, here; file and message carry the same bytes.
CREATE TABLE records (
  seq      INTEGER PRIMARY KEY,
  kind     TEXT    NOT NULL,        -- reading, event, test
  id       BLOB    NOT NULL,
  revision INTEGER NOT NULL,
  analyser TEXT,
  act      INTEGER NOT NULL REFERENCES acts (seq),
  stream   INTEGER,
  item     INTEGER,
  time_ms  INTEGER NOT NULL,        -- received_at of a reading or event, opened_at of a test
  twin     INTEGER,                 -- first record of a measurement: a key of the analyser's own number and clock
  text     TEXT    NOT NULL,
  UNIQUE (id, revision)
) STRICT;
CREATE INDEX records_time ON records (time_ms);
CREATE INDEX records_twin ON records (twin) WHERE twin IS NOT NULL;
-- What an act made of no bytes: people's doing, tests. What it made of an item is found through the item.
CREATE INDEX records_act ON records (act) WHERE stream IS NULL;

-- The newest revision of every breath test, so that the open ones are found among millions of records. It follows from
-- records, and nothing but its trigger writes it.
CREATE TABLE tests (
  id        BLOB    PRIMARY KEY,
  label     TEXT    NOT NULL,
  status    TEXT    NOT NULL,
  opened_ms INTEGER NOT NULL,
  seq       INTEGER NOT NULL REFERENCES records (seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX tests_label ON tests (label, opened_ms);
CREATE INDEX tests_opened ON tests (opened_ms);
CREATE INDEX tests_open ON tests (opened_ms) WHERE status IN ('registered', 'preliminary');
CREATE TRIGGER records_test AFTER INSERT ON records WHEN NEW.kind = 'test' BEGIN
  INSERT INTO tests
  VALUES (NEW.id, json_extract(NEW.text, '$.label'), json_extract(NEW.text, '$.status'), NEW.time_ms, NEW.seq)
  ON CONFLICT DO UPDATE SET label = excluded.label, status = excluded.status, seq = excluded.seq;
END;

-- One row per destination and record once it has been taken up, in order of seq, without gaps from where it joined.
CREATE TABLE deliveries (
  destination  TEXT    NOT NULL,
  seq          INTEGER NOT NULL REFERENCES records (seq),
  state        TEXT    NOT NULL CHECK (state IN ('attempted', 'sent', 'accepted', 'refused', 'skipped')),
  channel      TEXT,
  number       INTEGER,             -- dense per destination and channel, from 1; NULL where skipped
  attempted_ms INTEGER,
  settled_ms   INTEGER,
  words        TEXT,                -- the far side's words, or why it was skipped
  before       TEXT,                -- while it is sent again: the words of its acceptance ('' = none); NULL = not accepted
  PRIMARY KEY (destination, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX deliveries_open ON deliveries (destination, seq) WHERE state = 'attempted';
CREATE INDEX deliveries_odd ON deliveries (destination, state, seq) WHERE state NOT IN ('attempted', 'sent');
CREATE UNIQUE INDEX deliveries_number ON deliveries (destination, channel, number) WHERE number IS NOT NULL;

-- How many rows of deliveries are in a state that lasts, so that nobody has to count them. The common way, attempted to
-- sent, touches nothing here: what is attempted is few and has its index, and what is sent is the rest.
CREATE TABLE tallies (
  destination TEXT    NOT NULL,
  state       TEXT    NOT NULL,     -- accepted, refused, skipped
  rows        INTEGER NOT NULL,
  PRIMARY KEY (destination, state)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER deliveries_added AFTER INSERT ON deliveries WHEN NEW.state NOT IN ('attempted', 'sent') BEGIN
  INSERT INTO tallies VALUES (NEW.destination, NEW.state, 1) ON CONFLICT DO UPDATE SET rows = rows + 1;
END;
CREATE TRIGGER deliveries_left AFTER UPDATE OF state ON deliveries
WHEN OLD.state <> NEW.state AND OLD.state NOT IN ('attempted', 'sent') BEGIN
  UPDATE tallies SET rows = rows - 1 WHERE destination = OLD.destination AND state = OLD.state;
END;
CREATE TRIGGER deliveries_came AFTER UPDATE OF state ON deliveries
WHEN OLD.state <> NEW.state AND NEW.state NOT IN ('attempted', 'sent') BEGIN
  INSERT INTO tallies VALUES (NEW.destination, NEW.state, 1) ON CONFLICT DO UPDATE SET rows = rows + 1;
END;
CREATE TRIGGER deliveries_removed AFTER DELETE ON deliveries WHEN OLD.state NOT IN ('attempted', 'sent') BEGIN
  UPDATE tallies SET rows = rows - 1 WHERE destination = OLD.destination AND state = OLD.state;
END;
