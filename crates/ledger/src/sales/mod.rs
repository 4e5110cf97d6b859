//! Ringing up: the current sale, sales, refunds, voids, payments and the cash drawer.

pub(crate) mod accounts;
pub(crate) mod baskets;
pub(crate) mod booking;
pub(crate) mod custom_orders;
pub(crate) mod day_view;
pub(crate) mod drawer;
pub(crate) mod exchange_view;
pub(crate) mod limits;
pub(crate) mod new_exchange;
pub(crate) mod party;
pub(crate) mod payments;
pub(crate) mod refund_view;
mod refund_way;
pub(crate) mod refunds;
pub(crate) mod ring_up;
pub(crate) mod sale_view;
pub(crate) mod search;
pub(crate) mod takings;
pub(crate) mod voids;

pub use accounts::{
    BringInCertificate, CertificateEntry, CertificateOfSale, CertificateView, DepositView, EndCertificate,
    ForfeitDeposit, Forfeited, NewCertificate, RenumberCertificate, UsableDeposit,
};
pub use baskets::{
    BasketChange, BasketCustomer, BasketFromHold, BasketLineView, BasketPaid, BasketReturns, BasketState,
    BasketSummary, BasketView, ChangeBasket, Changed, HoldBasket, LeaveBasket, MoveBasket, OpenBasket,
    PayBasket, Pulse, Returned, SetBasketAside, StartExchange, StopPaying, UndoBasket, Undone, UndoneWhat,
};
pub use custom_orders::{
    CancelCustomOrder, CustomOrderView, HoldOrderedPiece, MakeOrderedPiece, NewCustomOrder, OrderedPiece,
    ReopenCustomOrder,
};
pub use day_view::{DayCursor, DayRefund, DaySale};
pub use drawer::{CloseDrawer, Closed, CountedOut, DrawerEntry, EntryKind, OpenDrawer, PutIn, TakeOut, Turn};
pub use exchange_view::{Exchange, ExchangedFor};
pub use new_exchange::{ExchangeDone, NewExchange};
pub use payments::{Debt, Paid, Pay};
pub use refund_view::{RefundSlip, RefundedLine};
pub use refunds::{DecideReturn, NewRefund, OpenReturn, RefundDone, RefundLine, RefundOf, RefundTender};
pub use ring_up::{NewSale, SaleDone, SaleLine, SaleLineIn, TenderIn};
pub use sale_view::{RefundView, SaleCustomer, SaleView, SoldLine, Tender};
pub use search::{FoundSales, MAX_SALES_READ, SalesQuery};
pub use takings::{Takings, TakingsOf, money_in};
pub use voids::{VoidSale, Voided};
