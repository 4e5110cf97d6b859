//! Who may do what: the one table that pages, API and command line use.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The role of a person or token.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Serves customers at the counter.
    Counter,
    /// Makes the pieces and looks after their listings.
    Maker,
    /// Runs the shop.
    Owner,
}

/// What can be done in the shop. A route names one; so does whatever else asks who may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Permission {
    /// See what is on the shelf and at what price.
    Look,
    /// Ring up, hold for a customer, look past sales up, take a payment of what is owed.
    Sell,
    /// Give money back, take goods back, void.
    GiveBack,
    /// Find customers, add them, change how they can be reached.
    Customers,
    /// Count the drawer in and out, put cash in, take cash out.
    KeepDrawer,
    /// Add pieces and goods, change their texts, weights and pictures.
    Make,
    /// Set rates, and prices by hand.
    Price,
    /// Set the terms on which a customer buys.
    SetTerms,
    /// Count the shelf, write off, bring goods in.
    Count,
    /// Listings, feeds, orders of the online shop.
    List,
    /// See what goods cost, and what is left over of their price.
    SeeCost,
    /// Read the books.
    ReadBooks,
    /// Settings, connections, backups, the list of who changed what.
    Run,
    /// Give out or erase what is kept about a customer.
    Privacy,
    /// People, their passwords and PINs, devices, tokens.
    Admit,
}

impl Role {
    /// Every role, the one with the fewest rights first.
    pub const ALL: [Self; 3] = [Self::Counter, Self::Maker, Self::Owner];

    /// The code in the database, in tokens and on the command line.
    pub fn code(self) -> &'static str {
        match self {
            Self::Counter => "counter",
            Self::Maker => "maker",
            Self::Owner => "owner",
        }
    }

    /// The role with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.code() == code)
    }

    /// The role's name for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Counter => "counter clerk",
            Self::Maker => "maker",
            Self::Owner => "owner",
        }
    }

    /// Whether the role may do it.
    pub fn may(self, permission: Permission) -> bool {
        match permission {
            Permission::Look
            | Permission::Sell
            | Permission::GiveBack
            | Permission::Customers
            | Permission::KeepDrawer => true,
            Permission::Make
            | Permission::Price
            | Permission::SetTerms
            | Permission::Count
            | Permission::List
            | Permission::SeeCost => {
                matches!(self, Self::Maker | Self::Owner)
            }
            Permission::ReadBooks | Permission::Run | Permission::Privacy | Permission::Admit => {
                matches!(self, Self::Owner)
            }
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

impl Permission {
    /// Everything that can be done.
    pub const ALL: [Self; 15] = [
        Self::Look,
        Self::Sell,
        Self::GiveBack,
        Self::Customers,
        Self::KeepDrawer,
        Self::Make,
        Self::Price,
        Self::SetTerms,
        Self::Count,
        Self::List,
        Self::SeeCost,
        Self::ReadBooks,
        Self::Run,
        Self::Privacy,
        Self::Admit,
    ];

    /// What it is, in words that follow “may not”.
    pub fn words(self) -> &'static str {
        match self {
            Self::Look => "view stock",
            Self::Sell => "ring up sales",
            Self::GiveBack => "make refunds",
            Self::Customers => "look up customers",
            Self::KeepDrawer => "use the cash drawer",
            Self::Make => "add or change pieces",
            Self::Price => "set prices",
            Self::SetTerms => "set a customer's terms",
            Self::Count => "count stock",
            Self::List => "manage the online shop",
            Self::SeeCost => "see costs",
            Self::ReadBooks => "view the books",
            Self::Run => "change the shop's settings",
            Self::Privacy => "export or erase a customer's data",
            Self::Admit => "change people and access",
        }
    }

    /// Whether a session that a PIN opened may do it: what is the owner's asks for the password.
    pub fn by_pin(self) -> bool {
        !matches!(self, Self::ReadBooks | Self::Run | Self::Privacy | Self::Admit)
    }

    /// Whether a program may do it: who may enter is decided by people.
    pub fn by_program(self) -> bool {
        self != Self::Admit
    }

    /// Whether a change that needs it requires that the person typed their password within the last minutes.
    pub fn needs_confirmation(self) -> bool {
        matches!(self, Self::Run | Self::Privacy | Self::Admit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The shop's own rule, no source: who stands at the counter sells; who makes also makes, prices,
    // counts and lists; books, settings and people are the owner's.
    #[test]
    fn the_table_of_who_may_do_what() {
        let check = |permission: Permission, expected: [bool; 3]| {
            assert_eq!(Role::ALL.map(|role| role.may(permission)), expected, "{permission:?}");
        };
        check(Permission::Look, [true, true, true]);
        check(Permission::Sell, [true, true, true]);
        check(Permission::GiveBack, [true, true, true]);
        check(Permission::Customers, [true, true, true]);
        check(Permission::KeepDrawer, [true, true, true]);
        check(Permission::Make, [false, true, true]);
        check(Permission::Price, [false, true, true]);
        check(Permission::SetTerms, [false, true, true]);
        check(Permission::Count, [false, true, true]);
        check(Permission::List, [false, true, true]);
        check(Permission::SeeCost, [false, true, true]);
        check(Permission::ReadBooks, [false, false, true]);
        check(Permission::Run, [false, false, true]);
        check(Permission::Privacy, [false, false, true]);
        check(Permission::Admit, [false, false, true]);
    }

    // OWASP ASVS 5.0.0, 7.5.1 and 8.2.1: what is the owner's is never opened by a PIN, who may enter never by a program.
    #[test]
    fn the_table_of_what_a_pin_and_a_program_may_do() {
        let of = |pick: fn(Permission) -> bool| {
            Permission::ALL.into_iter().filter(|permission| pick(*permission)).collect::<Vec<_>>()
        };
        assert_eq!(
            of(|permission| !permission.by_pin()),
            [Permission::ReadBooks, Permission::Run, Permission::Privacy, Permission::Admit]
        );
        assert_eq!(of(|permission| !permission.by_program()), [Permission::Admit]);
        assert_eq!(
            of(Permission::needs_confirmation),
            [Permission::Run, Permission::Privacy, Permission::Admit]
        );
    }

    // The pages of the books and of the Workbench show costs and margins.
    #[test]
    fn whoever_makes_or_reads_the_books_sees_what_goods_cost() {
        for role in Role::ALL {
            for permission in [Permission::Make, Permission::Price, Permission::ReadBooks] {
                assert!(!role.may(permission) || role.may(Permission::SeeCost), "{role} {permission:?}");
            }
        }
    }

    #[test]
    fn a_role_is_found_by_its_code_alone() {
        for role in Role::ALL {
            assert_eq!(Role::from_code(role.code()), Some(role));
        }
        for text in ["", "Owner", "owner ", "admin"] {
            assert_eq!(Role::from_code(text), None, "{text}");
        }
    }
}
