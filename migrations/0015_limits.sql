-- What a caller may do of what their role lets them do, where the owner has said it: a role's rows, and a
-- token's own, which go before them. A limit without a row is the program's default.
CREATE TABLE caller_limit (
    caller TEXT NOT NULL,
    name   TEXT NOT NULL CHECK (name IN ('channels', 'discount', 'backdate_days', 'open_holds', 'hold_days',
                                         'tax_by_hand', 'refund')),
    value  TEXT NOT NULL,
    PRIMARY KEY (caller, name)
);

-- Who set it aside; NULL for what was set aside before, and for what an order or the program itself did.
ALTER TABLE hold ADD COLUMN held_by TEXT;
CREATE INDEX hold_open_by ON hold (held_by) WHERE state = 'open' AND held_by IS NOT NULL;

-- What was refused is kept for a day; what was made, as long as that stands.
ALTER TABLE answer_key ADD COLUMN refused BIGINT NOT NULL DEFAULT 0 CHECK (refused IN (0, 1));
UPDATE answer_key SET refused = 1 WHERE substr(answer, 1, 10) = '{"refused"';
CREATE INDEX answer_key_refused ON answer_key (made_ms) WHERE refused = 1;
