//! What is offered online: listings, their texts, feeds and connections.

pub(crate) mod connections;
pub(crate) mod first_delivery;
pub(crate) mod listings;
pub(crate) mod offers;
pub(crate) mod outbox;
pub(crate) mod texts;

pub use connections::{
    ClaimDeferredOrders, ClaimMessages, ClaimPull, Claimed, ConnectionStatus, ConnectionTrouble, DeadLetter,
    DeferOrder, DeferredBecause, DeferredOrder, DifferenceChoice, DropDeferredOrder, EndConnection,
    EnterOtherId, FetchTrouble, FetchedDue, FillConnection, ForgetId, HurryConnection, KeepDifferences,
    LIVE_AT_ONCE, LearnIds, ListingDifference, LiveConnection, LookAtClock, MAX_CONNECTIONS, MAX_DIFFERENCES,
    MAX_PLACE_CHARS, MendListings, MessagesDue, NewPieces, NoteContact, NoteCured, NoteUnsigned, PruneLive,
    PullOf, PullState, PutOn, PutOnConnection, QuietConnection, RemoteState, RereadOrders,
    RetryDeferredOrder, SaveConnection, SeeHook, SendAgain, SettleDeferredOrder, SettleDifference,
    SettleMessages, SettlePull, Settled, SettledAs, StoredDifference, TroubleOf,
};
pub use listings::{
    Delivered, FeedRun, LISTINGS_AT_ONCE, ListingPage, ListingRow, NewRun, RECORDED_AT_ONCE, RecordRun,
    RunKind,
};
pub use offers::{Offer, OfferCounts, Offers, StaleOffers};
pub use texts::{
    DropLayout, FeedFailed, KeepLayout, KeepListingText, KeptLayout, MAX_KEPT_CHARS, NoteFeedTrouble,
    SeeFeedTroubles,
};
