//! Items, styles and photographs, their stock, holds and counts, and how items are found.

pub(crate) mod change_prices;
pub(crate) mod descriptions;
pub(crate) mod find;
pub(crate) mod find_text;
pub(crate) mod holds;
pub(crate) mod intake;
pub(crate) mod item_columns;
pub(crate) mod item_edit;
mod item_name;
pub(crate) mod item_rows;
mod item_updates;
pub(crate) mod item_view;
pub(crate) mod items;
pub(crate) mod levels;
pub(crate) mod lookup;
pub(crate) mod open_count;
pub(crate) mod photographs;
pub(crate) mod removal;
pub(crate) mod stock;
pub(crate) mod stock_count;
pub(crate) mod style_edit;
pub(crate) mod styles;
pub(crate) mod tags;
mod try_pieces;
mod usual_weights;
pub(crate) mod weighed;
pub(crate) mod workbench;

pub use change_prices::{NewPrice, RepricePreview, RepriceStyle, Repriced};
pub use descriptions::{MAX_TEXTS_AT_ONCE, NewText, WriteTexts, text_mark};
pub use domain::item::{NewItem, NewStyle};
pub use find::{FindCursor, FindItems, FindSort, FindState, FindStyle, FoundItems, MAX_FIND_WORDS};
pub(crate) use holds::holds_for;
pub use holds::{BASKET_MS, HeldLine, Hold, HoldLine, NewHold, Purpose, SweepHolds};
pub use intake::{EndIntake, Intake, Progress, Tally};
pub use item_edit::{CostChange, EditItem, EditPreview, PriceChange};
pub use items::{AddItems, AddedItem, ItemPast, ItemPrice, ItemView, MAX_ITEMS_AT_ONCE, RowOutcome};
pub use levels::{ShelfQuery, ShelfRow, StyleCount};
pub use photographs::{KeepPictures, MAX_PICTURES_AT_ONCE, PICTURES, Picture, PictureName, SMALLER};
pub use stock::{AdjustStock, Counted, StockMove};
pub use stock_count::{
    BeginStockCount, CountedLine, DropStockCount, FinishStockCount, FinishedStockCount, LeftReason,
    NotBooked, ScanFinding, ScanStockCount, Scanned, StockCountFindings, StockCountProgress, StockCountState,
    StockCountView,
};
pub use style_edit::EditStyle;
pub use styles::{AddStyle, AddStyles, StyleView};
pub use tags::{KeepTags, LatestTag, MAX_TAGS_AT_ONCE, MOST_TAGS_COUNTED, TagCounts, TagPrinted};
pub use usual_weights::UsualWeights;
pub use weighed::{Weighed, WeightPricing};
pub use workbench::{
    FinishPieces, Finished, MAX_PHOTOGRAPHS, MAX_PIECES_AT_ONCE, NewPiece, PieceOutcome, PieceWork, Priced,
};
