//! The one door to the database: every write of stock and money is a function here.
//!
//! A write is a [`Command`]: it runs in one transaction, may be tried again as a whole, and may
//! carry a [`Key`], by which its first answer is kept (law 5). Stock is taken by conditional
//! updates alone, never by read-then-write. Stock entries, sales, refunds and tenders are only
//! ever added; no text in this crate updates or deletes one.
#![deny(clippy::float_arithmetic)]

mod answer_key;
mod audit;
mod backup;
mod baskets;
mod begin;
mod booking;
mod books;
mod check;
mod clock;
mod command;
mod day_view;
mod drawer;
mod entries;
mod error;
mod find;
mod find_text;
mod first_told;
mod hear;
mod holds;
mod intake;
mod item_rows;
mod item_view;
mod items;
mod lease;
mod limits;
mod listings;
mod live;
mod lookup;
mod notify;
mod online;
mod orders;
mod pace;
mod payments;
mod people;
mod pictures;
pub mod private;
mod refunds;
mod refusal;
mod reprice;
mod sale_view;
mod sales;
mod sales_found;
mod shelf;
mod shop;
mod sql;
mod stock;
mod stocktake;
mod store;
mod style_edit;
mod styles;
mod today;
mod trouble;
mod voids;
mod workbench;
mod writes;

pub use answer_key::Key;
pub use audit::{AuditRow, Audited};
pub use backup::{BackedUp, BackupError, LeftOut, Restored, restore};
pub use baskets::{
    BasketChange, BasketFromHold, BasketLineView, BasketPaid, BasketState, BasketSummary, BasketView,
    ChangeBasket, Changed, HoldBasket, LeaveBasket, OpenBasket, PayBasket, Pulse, SetBasketAside, StopPaying,
};
pub use booking::LineKind;
pub use books::{BooksBy, BooksQuery, BooksRow};
pub use check::{CheckReport, FINDINGS_OF_A_LAW, Finding, Law};
pub use clock::{Clock, ManualClock, SystemClock};
pub use command::{Command, Done, Tx};
pub use day_view::{DayCursor, DayRefund, DaySale};
pub use drawer::{CloseDrawer, Closed, CountedOut, DrawerEntry, EntryKind, OpenDrawer, PutIn, TakeOut, Turn};
pub use error::Failure;
pub use find::{FindCursor, FindItems, FindSort, FindState, FindStyle, FoundItems, MAX_FIND_WORDS};
pub use hear::LISTEN_EVERY;
pub use holds::{BASKET_MS, HeldLine, Hold, HoldLine, NewHold, Purpose, SweepHolds};
pub use intake::{EndIntake, Intake, Progress, Tally};
pub use items::{
    AddItems, AddedItem, EditItem, ItemPrice, ItemView, MAX_ITEMS_AT_ONCE, NewItem, PriceChange, RowOutcome,
};
pub use limits::{Actor, LimitsOf, SetLimits};
pub use listings::{
    FeedRun, LISTINGS_AT_ONCE, ListingPage, ListingRow, ListingState, NewRun, RECORDED_AT_ONCE, RecordRun,
    RunKind, Told,
};
pub use live::{
    ClaimKeptOrders, ClaimMessages, ClaimPull, Claimed, ConnectionStatus, ConnectionTrouble, Drift,
    DriftChoice, DropKeptOrder, EndConnection, EnterOtherId, FetchTrouble, FetchedDue, FillConnection,
    HurryConnection, KeepDrifts, KeepOrder, KeptAs, KeptDrift, KeptOrder, LIVE_AT_ONCE, LearnIds,
    LiveConnection, LookAtClock, MAX_CONNECTIONS, MAX_DRIFTS, MAX_PLACE_CHARS, MendListings, MessagesDue,
    NewPieces, NoteContact, NoteCured, NoteUnsigned, ParkedMessage, PruneLive, PullOf, PullState, PutOn,
    PutOnConnection, QuietConnection, RereadOrders, SaveConnection, SeeHook, SendAgain, SettleDrift,
    SettleKeptOrder, SettleMessages, SettlePull, Settled, SettledAs, Stood, TroubleOf, TryKeptOrder,
};
pub use online::{
    DropLayout, FeedFailed, KeepLayout, KeepListingText, KeptLayout, ListingCounts, MAX_KEPT_CHARS,
    MAX_TEXTS_AT_ONCE, NewText, NoteFeedTrouble, SeeFeedTroubles, WriteTexts, text_mark,
};
pub use orders::{
    BlockingHold, Chosen, Closest, DecideLine, EndHold, LineChoice, LineDecided, OrderDetail, OrderLineState,
    OrderLineView, OrderOutcome, OrderView, SoldFor, TakeFetched, TakeOrders, WaitingLine,
};
pub use pace::Pace;
pub use payments::{Debt, Paid, Pay};
pub use people::{
    AddPerson, AddToken, BeginShop, BeginStep, By, CONFIRMED_FOR_MS, Confirm, CountCode, CountTry,
    DeviceView, EditPerson, EndDevice, EndPerson, EndSession, EndToken, EnrolDevice, KNOWN_FOR_MS, Known,
    MAX_CODE_FAILURES, MAX_PIN_FAILURES, OfferSecondFactor, OpenSession, PersonView, Phc, PinChange, PinKept,
    RenewRecoveryCodes, STEP_LASTS_MS, SecondFactor, SecondProof, SecretHash, SessionView, SignIn, SignOut,
    SignOutEverywhere, StepView, TokenView, TryFrom, TryOf, TryPin, TurnOffSecondFactor, TurnOnSecondFactor,
};
pub use pictures::{KeepPictures, MAX_PICTURES_AT_ONCE, PICTURES, Picture, PictureName, SMALLER};
pub use refunds::{DecideFate, NewRefund, OpenFate, RefundDone, RefundLine, RefundTender};
pub use refusal::{Refusal, SoldAs};
pub use reprice::{NewPrice, RepricePreview, RepriceStyle, Repriced};
pub use sale_view::{RefundView, SaleView, SoldLine, Tender};
pub use sales::{NewSale, SaleDone, SaleLine, SaleLineIn, TenderIn};
pub use sales_found::SalesQuery;
pub use shelf::{ShelfQuery, ShelfRow, StyleCount};
pub use shop::{COUNTER_TENDERS, ChangeShop, SetShop, Shop};
pub use stock::{AdjustStock, Counted, StockMove};
pub use stocktake::{
    BeginStocktake, CountedLine, DropStocktake, FinishStocktake, FinishedStocktake, NotBooked, ScanFinding,
    ScanStocktake, Scanned, StocktakeFindings, StocktakeProgress, StocktakeState, StocktakeView,
};
pub use store::{Access, Ledger};
pub use style_edit::EditStyle;
pub use styles::{AddStyles, NewStyle, StyleView};
pub use today::{EndingHold, NEWEST_LOOKED_AT, OwedSum, ShortLines};
pub use trouble::Trouble;
pub use voids::VoidSale;
pub use workbench::{
    FinishPieces, Finished, MAX_PHOTOGRAPHS, MAX_PIECES_AT_ONCE, NewPiece, PieceOutcome, PieceWork, Priced,
    UsualWeights,
};
