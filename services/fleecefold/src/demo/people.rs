//! Invented people.

use super::rng::Rng;
use domain::order::Customer;

const FIRST: [&str; 16] = [
    "Ada", "Bertil", "Cleo", "Dorrit", "Edmund", "Fern", "Gus", "Hanneke", "Ivo", "Junia", "Kit", "Lorna",
    "Mirko", "Nell", "Oswin", "Petra",
];
const LAST: [&str; 12] = [
    "Ashgrove",
    "Birdsall",
    "Corrigan",
    "Dunmoor",
    "Ellery",
    "Fothering",
    "Greaves",
    "Hollin",
    "Imber",
    "Jessop",
    "Kettle",
    "Larkin",
];
pub(crate) const OWNER: &str = "Maud";
const FAMILY: [&str; 2] = [OWNER, "Ansel"];

pub(super) fn name(dice: &mut Rng) -> String {
    format!("{} {}", dice.name(&FIRST), dice.name(&LAST))
}

/// Somebody who orders online; example.org is reserved for such addresses (RFC 2606).
pub(super) fn customer(dice: &mut Rng) -> Customer {
    let name = name(dice);
    let email = format!("{}@example.org", name.to_lowercase().replace(' ', "."));
    Customer { name, email }
}

pub(super) fn at_the_counter(dice: &mut Rng) -> String {
    dice.name(&FAMILY).to_owned()
}
