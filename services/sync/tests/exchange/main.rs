//! The exchange of files from outside, each test with its own shop.

mod adding;
mod comparing;
#[path = "../both/counter.rs"]
mod counter;
mod folders;
mod orders;
mod out;
mod shop;
#[path = "../../../../crates/ledger/tests/harness/small_disk.rs"]
mod small_disk;
mod stopped;
