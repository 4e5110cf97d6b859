-- Until when a message without an answer may still be under way: nobody is hurried past it.
ALTER TABLE dispatch ADD COLUMN clear_ms BIGINT NOT NULL DEFAULT 0;
-- Whether the other shop asked for the pause itself, and the latest moment that was seen while the connection
-- was looked at: a clock before it was set back, and what waits by it waits too long.
ALTER TABLE connection_state ADD COLUMN quiet_asked BIGINT NOT NULL DEFAULT 0 CHECK (quiet_asked IN (0, 1));
ALTER TABLE connection_state ADD COLUMN clock_ms BIGINT NOT NULL DEFAULT 0;
-- From when on a person wants orders to be read once more.
ALTER TABLE pull ADD COLUMN reread_ms BIGINT;
