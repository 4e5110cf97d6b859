//! Customers whom the farm knows: resellers, a school that pays no sales tax, and people who come again.

use super::OWNER;
use super::live::Live;
use super::season::Door;
use super::trouble::{DemoError, Doing};
use domain::customer::{BasisPoints, Contact, Exemption, Terms};
use domain::day::Day;
use domain::ids::CustomerId;
use jiff::ToSpan;
use jiff::civil::Date;
use ledger::Ledger;
use ledger::customers::{AddCustomer, SetTerms};

/// Out of a hundred visits, how many are those of people whom the farm knows. Invented.
const KNOWN_AT_THE_STORE: i64 = 30;
const KNOWN_AT_THE_MARKET: i64 = 8;
/// For how long the shop keeps the certificate of an exemption. Invented: it differs by place.
const KEPT_FOR_YEARS: i32 = 4;

/// How somebody buys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Buys {
    ToSellAgain,
    WithoutTax,
    WithDiscount,
    OnAccount,
    Plainly,
}

/// Name, e-mail address, phone number, note, the number of their certificate, and how they buy. Domains that end in
/// `example` and numbers from 555-0100 to 555-0199 are nobody's (RFC 2606; NANPA).
const KNOWN: [(&str, &str, &str, &str, &str, Buys); 9] = [
    (
        "Cobble & Fern",
        "orders@cobbleandfern.example",
        "802 555 0117",
        "Orders on the 12th.",
        "RS-20417",
        Buys::ToSellAgain,
    ),
    (
        "The Warp Room",
        "hello@warproom.example",
        "603 555 0142",
        "Prefers undyed yarn.",
        "RS-31188",
        Buys::ToSellAgain,
    ),
    ("Lee Shore Yarns", "desk@leeshore.example", "207 555 0160", "", "RS-40023", Buys::ToSellAgain),
    (
        "Hillside School",
        "office@hillside.example",
        "802 555 0108",
        "The spinning club, in Room 4.",
        "EX-0731",
        Buys::WithoutTax,
    ),
    (
        "Ada Greaves",
        "ada.greaves@example.org",
        "802 555 0121",
        "Minds the stall in August.",
        "",
        Buys::WithDiscount,
    ),
    (
        "Lorna Birdsall",
        "lorna.birdsall@example.org",
        "802 555 0135",
        "Pays at the end of the month.",
        "",
        Buys::OnAccount,
    ),
    ("Fern Dunmoor", "fern.dunmoor@example.org", "", "Likes indigo.", "", Buys::Plainly),
    ("Hanneke Larkin", "", "802 555 0174", "Size L.", "", Buys::Plainly),
    ("Oswin Kettle", "oswin.kettle@example.org", "", "", "", Buys::Plainly),
];

#[derive(Clone, Debug)]
pub(super) struct Regular {
    pub(super) id: CustomerId,
    pub(super) terms: Terms,
    pub(super) pays_later: bool,
}

/// In the order in which they were added.
#[derive(Clone, Debug, Default)]
pub(super) struct Regulars(Vec<Regular>);

impl Regulars {
    /// Adds them all with their terms.
    pub(super) async fn add(ledger: &Ledger, opening: Date) -> Result<Self, DemoError> {
        let kept = opening.checked_add(KEPT_FOR_YEARS.years()).doing("date a certificate")?;
        let keep_until = Day::parse(&kept.to_string()).doing("date a certificate")?;
        let mut regulars = Vec::with_capacity(KNOWN.len());
        for (name, email, phone, note, certificate, buys) in KNOWN {
            let [name, email, phone, note] = [name, email, phone, note].map(str::to_owned);
            let add = AddCustomer { contact: Contact { name, email, phone, note }, who: OWNER.to_owned() };
            let id = ledger.execute(None, &add).await.doing("add its customers")?.answer;
            let exemption = (!certificate.is_empty())
                .then(|| Exemption { certificate: certificate.to_owned(), keep_until });
            let discount = (buys == Buys::WithDiscount).then(|| BasisPoints::parse("10"));
            let discount = discount.transpose().doing("add its customers")?;
            let terms = Terms { wholesale: buys == Buys::ToSellAgain, exemption, discount };
            if terms != Terms::default() {
                let set = SetTerms { customer: id, revision: 1, terms: terms.clone(), who: OWNER.to_owned() };
                ledger.execute(None, &set).await.doing("add its customers")?;
            }
            regulars.push(Regular { id, terms, pays_later: buys == Buys::OnAccount });
        }
        Ok(Self(regulars))
    }

    fn resellers(&self) -> Vec<&Regular> {
        self.0.iter().filter(|known| known.terms.wholesale).collect()
    }

    fn people(&self) -> Vec<&Regular> {
        self.0.iter().filter(|known| !known.terms.wholesale).collect()
    }

    pub(super) fn who_pays_later(&self) -> Option<&Regular> {
        self.0.iter().find(|known| known.pays_later)
    }
}

impl Live {
    /// Whose visit it is, if the farm knows them; it knows every reseller.
    pub(super) fn visitor(&mut self, door: Door) -> Option<Regular> {
        let known = match door {
            Door::Wholesale => {
                return self.dice.pick(&self.regulars.resellers()).map(|known| (*known).clone());
            }
            Door::Store => KNOWN_AT_THE_STORE,
            Door::Market => KNOWN_AT_THE_MARKET,
            Door::Online => 0,
        };
        self.dice.chance(known).then(|| self.person()).flatten()
    }

    /// Somebody who buys for themselves.
    pub(super) fn person(&mut self) -> Option<Regular> {
        self.dice.pick(&self.regulars.people()).map(|known| (*known).clone())
    }
}
