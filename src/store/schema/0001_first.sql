-- The grower's ledger: written once, never changed, only superseded.
CREATE TABLE entry (
    id INTEGER PRIMARY KEY,
    trial TEXT,
    kind TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    stated TEXT NOT NULL CHECK (json_valid(stated)),
    written_ms INTEGER NOT NULL,
    by TEXT NOT NULL,
    origin TEXT NOT NULL,
    supersedes INTEGER REFERENCES entry (id),
    reason TEXT,
    body TEXT NOT NULL CHECK (json_valid(body))
) STRICT;
CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry BEGIN
    SELECT RAISE(ABORT, 'the ledger is append-only');
END;
CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry BEGIN
    SELECT RAISE(ABORT, 'the ledger is append-only');
END;
-- INSERT OR REPLACE deletes without firing the trigger above.
CREATE TRIGGER entry_is_never_replaced BEFORE INSERT ON entry
WHEN EXISTS (SELECT 1 FROM entry WHERE id = NEW.id) BEGIN
    SELECT RAISE(ABORT, 'the ledger is append-only');
END;

-- Forms of the pages that were written: one that is sent twice counts once.
CREATE TABLE taken_form (
    form TEXT PRIMARY KEY,
    at_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Streams of values, with what is asked of them most often.
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    board TEXT NOT NULL,
    probe TEXT NOT NULL,
    quantity TEXT NOT NULL,
    readings INTEGER NOT NULL DEFAULT 0,
    first_ms INTEGER,
    newest_ms INTEGER,
    newest_value REAL,
    newest_quality INTEGER,
    UNIQUE (board, probe, quantity)
) STRICT;

-- Raw readings. `value` is an integer of thousandths where that is exact,
-- else the number itself; the view below always shows the number.
CREATE TABLE reading (
    at_ms INTEGER NOT NULL,
    series INTEGER NOT NULL,
    value ANY NOT NULL,
    quality INTEGER NOT NULL,
    PRIMARY KEY (at_ms, series)
) STRICT, WITHOUT ROWID;
CREATE VIEW reading_in_words AS
    SELECT strftime('%Y-%m-%dT%H:%M:%fZ', at_ms / 1000.0, 'unixepoch') AS at,
        board, probe, quantity,
        CASE typeof(value) WHEN 'integer' THEN value / 1000.0 ELSE value END
            AS value,
        quality
    FROM reading JOIN series ON series.id = reading.series;

-- Readings that count, hour by hour: derived from the table above, for
-- figures of long spans. Hours from `until_hour` on are added up when they
-- are asked for; at the largest number all are here as soon as they are
-- written, which is how a new file begins.
CREATE TABLE hour (
    series INTEGER NOT NULL,
    hour INTEGER NOT NULL,
    n INTEGER NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    total REAL NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    at_least INTEGER NOT NULL,
    PRIMARY KEY (series, hour)
) STRICT, WITHOUT ROWID;
CREATE TABLE added_up (until_hour INTEGER NOT NULL) STRICT;
INSERT INTO added_up VALUES (9223372036854775807);

-- Numbers of samples that were stored, as intervals: once only.
CREATE TABLE seen (
    board TEXT NOT NULL,
    boot TEXT NOT NULL,
    from_seq INTEGER NOT NULL,
    to_seq INTEGER NOT NULL,
    PRIMARY KEY (board, boot, from_seq)
) STRICT, WITHOUT ROWID;

-- What is known of each start of a board, to date its samples.
CREATE TABLE boot (
    board TEXT NOT NULL,
    boot TEXT NOT NULL,
    first_heard_ms INTEGER NOT NULL,
    dating TEXT NOT NULL CHECK (json_valid(dating)),
    PRIMARY KEY (board, boot)
) STRICT, WITHOUT ROWID;

-- Samples on disk whose instant is not yet known: a backlog of a boot that
-- was not heard live so far.
CREATE TABLE undated (
    board TEXT NOT NULL,
    boot TEXT NOT NULL,
    seq INTEGER NOT NULL,
    probe TEXT NOT NULL,
    quantity TEXT NOT NULL,
    up_ms INTEGER NOT NULL,
    received_ms INTEGER NOT NULL,
    claimed_ms INTEGER,
    value REAL NOT NULL,
    quality INTEGER NOT NULL,
    PRIMARY KEY (board, boot, seq, probe, quantity)
) STRICT, WITHOUT ROWID;

-- The last messages of each topic from boards that do not number them.
CREATE TABLE uncounted (
    topic TEXT NOT NULL,
    slot INTEGER NOT NULL,
    digest INTEGER NOT NULL,
    PRIMARY KEY (topic, slot)
) STRICT, WITHOUT ROWID;

-- What could not be taken: bytes and reason.
CREATE TABLE refused (
    id INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    source TEXT NOT NULL,
    board TEXT,
    reason TEXT NOT NULL,
    bytes BLOB NOT NULL
) STRICT;

CREATE TABLE counter (
    name TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Where each watch stands, so that a restart forgets nothing.
CREATE TABLE watch_state (
    watch TEXT PRIMARY KEY,
    state TEXT NOT NULL CHECK (json_valid(state))
) STRICT, WITHOUT ROWID;

CREATE TABLE alert (
    id TEXT PRIMARY KEY,
    watch TEXT NOT NULL,
    kind TEXT NOT NULL,
    place TEXT,
    board TEXT,
    quantity TEXT,
    severity TEXT NOT NULL,
    since_ms INTEGER NOT NULL,
    raised_ms INTEGER NOT NULL,
    cleared_ms INTEGER,
    value REAL,
    limit_value REAL,
    worst REAL,
    text TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX alert_by_time ON alert (raised_ms);

-- Messages that leave only when their channel took them. A message waits
-- while it is neither taken nor given up nor told within another one.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    alert TEXT REFERENCES alert (id),
    channel TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    message TEXT NOT NULL GENERATED ALWAYS AS (body ->> '$.message') STORED,
    written_ms INTEGER NOT NULL,
    next_ms INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    held_ms INTEGER,
    taken_ms INTEGER,
    given_up_ms INTEGER,
    told_in TEXT,
    error TEXT,
    UNIQUE (message, channel)
) STRICT;
CREATE INDEX outbox_waiting ON outbox (channel, next_ms)
    WHERE taken_ms IS NULL AND given_up_ms IS NULL AND told_in IS NULL;
CREATE INDEX outbox_of_alert ON outbox (alert);

-- Each try to deliver a message; one that was cut off has no end.
CREATE TABLE delivery (
    message INTEGER NOT NULL REFERENCES outbox (id),
    attempt INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    ended_ms INTEGER,
    error TEXT,
    PRIMARY KEY (message, attempt)
) STRICT, WITHOUT ROWID;

-- What somebody answered to an alert: seen, or not now.
CREATE TABLE answer (
    id INTEGER PRIMARY KEY,
    alert TEXT NOT NULL REFERENCES alert (id),
    kind TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    until_ms INTEGER,
    worst REAL,
    reason TEXT NOT NULL,
    by TEXT NOT NULL,
    origin TEXT NOT NULL
) STRICT;
CREATE INDEX answer_of_alert ON answer (alert);

-- Times at which the host's own clock was seen to step.
CREATE TABLE clock_step (
    at_ms INTEGER NOT NULL,
    step_ms INTEGER NOT NULL
) STRICT;

-- Whether others kept the host's clock right (NULL: nobody knows), each
-- time that this changed.
CREATE TABLE host_clock (
    id INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    synchronised INTEGER
) STRICT;

-- What the daemon last said of itself, for `status`.
CREATE TABLE daemon_says (
    name TEXT PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body))
) STRICT, WITHOUT ROWID;
