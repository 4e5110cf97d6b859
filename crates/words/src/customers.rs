//! What is wrong with a customer.

use ledger::rejection::CustomersReason;

pub(crate) fn words(reason: &CustomersReason) -> String {
    match reason {
        CustomersReason::NotThere => {
            "this customer is no longer on file; choose another one, or none".to_owned()
        }
        CustomersReason::EmailTaken { name } => {
            format!("{name} already has this e-mail address; choose that customer, or enter another address")
        }
        CustomersReason::TooManyWords { limit } => format!("search for at most {limit} words"),
        CustomersReason::OwesMoney { owed } => {
            format!("this customer owes {}; record the payment first", owed.shown())
        }
        CustomersReason::HasHolds => "items are on hold for this customer; release the hold first".to_owned(),
        CustomersReason::HasCustomOrder => {
            "this customer has an open custom order; finish or cancel it first".to_owned()
        }
        CustomersReason::HasDeposit { left } => {
            format!("{} of this customer's deposits is left; refund it first", left.shown())
        }
        CustomersReason::OrderWaits { number } => {
            format!("order {number} of this customer needs attention; decide about its lines first")
        }
        CustomersReason::NotOrderDays { least, most } => {
            format!("enter a number of days from {least} to {most}, or never")
        }
    }
}
