-- Of each style, whether anything is left on the shelf: what Today asks of every one of them, also
-- where a hundred thousand pieces were made and sold.
CREATE INDEX item_style_on_shelf ON item (style_id) WHERE on_hand > 0;
