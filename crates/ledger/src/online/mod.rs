//! What the online channel is offered: listings, their texts, feeds and connections.

pub(crate) mod connections;
pub(crate) mod first_delivery;
pub(crate) mod listings;
pub(crate) mod outbox;
pub(crate) mod texts;

pub use connections::{
    ClaimKeptOrders, ClaimMessages, ClaimPull, Claimed, ConnectionStatus, ConnectionTrouble, Drift,
    DriftChoice, DropKeptOrder, EndConnection, EnterOtherId, FetchTrouble, FetchedDue, FillConnection,
    HurryConnection, KeepDrifts, KeepOrder, KeptAs, KeptDrift, KeptOrder, LIVE_AT_ONCE, LearnIds,
    LiveConnection, LookAtClock, MAX_CONNECTIONS, MAX_DRIFTS, MAX_PLACE_CHARS, MendListings, MessagesDue,
    NewPieces, NoteContact, NoteCured, NoteUnsigned, ParkedMessage, PruneLive, PullOf, PullState, PutOn,
    PutOnConnection, QuietConnection, RereadOrders, SaveConnection, SeeHook, SendAgain, SettleDrift,
    SettleKeptOrder, SettleMessages, SettlePull, Settled, SettledAs, Stood, TroubleOf, TryKeptOrder,
};
pub use listings::{
    FeedRun, LISTINGS_AT_ONCE, ListingPage, ListingRow, NewRun, RECORDED_AT_ONCE, RecordRun, RunKind, Told,
};
pub use texts::{
    DropLayout, FeedFailed, KeepLayout, KeepListingText, KeptLayout, ListingCounts, MAX_KEPT_CHARS,
    NoteFeedTrouble, SeeFeedTroubles,
};
