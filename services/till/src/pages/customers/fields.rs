//! The fields of a customer's forms, as they were typed or as they are saved.

use crate::pages::form::Form;
use domain::customer::{Contact, Terms};
use ledger::customers::CustomerSummary;

/// How a customer can be reached.
#[derive(Default)]
pub(crate) struct ContactFields {
    pub(crate) name: String,
    pub(crate) email: String,
    pub(crate) telephone: String,
    pub(crate) note: String,
}

impl ContactFields {
    pub(crate) fn typed(form: &Form) -> Self {
        let text = |name: &str| form.text(name).to_owned();
        Self { name: text("name"), email: text("email"), telephone: text("telephone"), note: text("note") }
    }

    pub(crate) fn saved(contact: &Contact) -> Self {
        let Contact { name, email, phone, note } = contact.clone();
        Self { name, email, telephone: phone, note }
    }

    pub(crate) fn contact(self) -> Contact {
        Contact { name: self.name, email: self.email, phone: self.telephone, note: self.note }
    }
}

/// A customer in a list, in words.
pub(crate) struct Found {
    pub(crate) id: String,
    pub(crate) name: String,
    /// E-mail address and phone number, as far as they are known.
    pub(crate) reach: String,
    pub(crate) terms: String,
}

impl From<CustomerSummary> for Found {
    fn from(customer: CustomerSummary) -> Self {
        let reach = [customer.email, customer.phone];
        let reach: Vec<String> = reach.into_iter().filter(|part| !part.is_empty()).collect();
        Self {
            id: customer.id.to_string(),
            name: customer.name,
            reach: reach.join(" · "),
            terms: in_words(&customer.terms),
        }
    }
}

/// A customer's terms in words; empty for most.
pub(crate) fn in_words(terms: &Terms) -> String {
    let parts = [
        terms.wholesale.then(|| "Wholesale".to_owned()),
        terms.exemption.as_ref().map(|_| "Tax-exempt".to_owned()),
        terms.discount.map(|discount| format!("{} discount", discount.shown())),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}
