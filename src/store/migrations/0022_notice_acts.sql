-- What staff do with one notice: a hold that ends by itself, a word that can be taken back until the notice leaves, a recall,
-- and words of their own.
ALTER TABLE notices ADD COLUMN held_until BIGINT;      -- when a hold ends by itself; null: it stays
ALTER TABLE notices ADD COLUMN sent_by TEXT;           -- who let it out, while it waits for `release_at` and the word can be taken back
ALTER TABLE notices ADD COLUMN before_act TEXT;        -- JSON: the state that undo puts back; null: there is nothing to undo
ALTER TABLE notices ADD COLUMN recalled_at BIGINT;
ALTER TABLE notices ADD COLUMN recalled_by TEXT;
ALTER TABLE notices ADD COLUMN gone_at_recall BIGINT;  -- messages that had gone out by then; deliveries themselves are not kept for ever
ALTER TABLE notices ADD COLUMN maybe_at_recall BIGINT; -- … and those of which it was not known
ALTER TABLE notices ADD COLUMN worded_by TEXT;         -- who changed its words; null: they are the templates'
ALTER TABLE notices ADD COLUMN worded_at BIGINT;

-- The body of an e-mail as staff wrote it, in the notation of the templates; null: the templates' own.
ALTER TABLE notice_texts ADD COLUMN source TEXT;
