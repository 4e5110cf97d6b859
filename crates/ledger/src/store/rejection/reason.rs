//! What is wrong with a value: one enum a room, and the domain's own errors, as data.

use super::{
    BooksReason, CustomersReason, OnlineReason, OrdersReason, PeopleReason, SalesReason, ShelfReason,
    ShopReason,
};
use domain::basket::BasketError;
use domain::cash::CountError;
use domain::channel::NotAChannel;
use domain::codes::CodeError;
use domain::customer::CustomerError;
use domain::day::{DayError, Zone};
use domain::discount::OffError;
use domain::fee::FeeError;
use domain::image::ImageError;
use domain::limits::NotALimit;
use domain::money::MoneyError;
use domain::pricing::PriceError;
use domain::quantity::QuantityError;
use domain::refund::RefundError;
use domain::shop_color::NotAColor;
use domain::text::TextError;
use domain::weight::WeightError;
use serde::{Deserialize, Serialize};

/// Makes the enum, and a `From` of each of its parts.
macro_rules! reasons {
    ($($(#[$doc:meta])* $variant:ident($part:ty),)+) => {
        /// Why a value is refused. It holds what its sentence needs; a surface makes the sentence.
        #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Reason {
            /// A moment that is not believed.
            Moment {
                /// What is wrong with it.
                error: DayError,
                /// In which its time is shown.
                zone: Zone,
            },
            $($(#[$doc])* $variant($part),)+
        }

        $(impl From<$part> for Reason {
            fn from(part: $part) -> Self {
                Self::$variant(part)
            }
        })+
    };
}

reasons! {
    /// The shop and its settings.
    Shop(ShopReason),
    /// People and access.
    People(PeopleReason),
    /// Customers.
    Customers(CustomersReason),
    /// The books.
    Books(BooksReason),
    /// Items and stock.
    Shelf(ShelfReason),
    /// Sales, payments and refunds.
    Sales(SalesReason),
    /// Online shops.
    Online(OnlineReason),
    /// Online orders.
    Orders(OrdersReason),
    /// A text.
    Text(TextError),
    /// An amount of money.
    Money(MoneyError),
    /// A quantity.
    Quantity(QuantityError),
    /// A weight.
    Weight(WeightError),
    /// A price or a rate.
    Price(PriceError),
    /// A discount.
    Discount(OffError),
    /// A channel's fee.
    Fee(FeeError),
    /// A channel's code.
    Channel(NotAChannel),
    /// A code of an item.
    Code(CodeError),
    /// The name of a photograph.
    Image(ImageError),
    /// A date, a time or a zone.
    Day(DayError),
    /// A sale's figures.
    Basket(BasketError),
    /// A refund's figures.
    Refund(RefundError),
    /// A customer's data.
    Customer(CustomerError),
    /// A count of the cash drawer.
    Count(CountError),
    /// The value of a limit.
    Limit(NotALimit),
    /// The shop's color.
    Color(NotAColor),
}
