//! Customers: how they can be reached, and the terms on which they buy.
//!
//! Whatever identifies a person stands in `person_data`. What is written about them elsewhere refers to a row of
//! it, and locks the row first if the person has to be there still (`person_data::lock`).

mod edit;
pub(crate) mod erase;
mod find;
pub(crate) mod person_data;
pub(crate) mod view;

pub use edit::{AddCustomer, EditCustomer, SetTerms};
pub use find::{CustomerSummary, FindCustomers, MAX_CUSTOMER_WORDS};
pub use view::{CustomerState, CustomerView};

pub(crate) use view::terms_of;
