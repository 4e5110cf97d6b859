//! The exchange of files from outside, each test with its own shop.

mod adding;
mod comparing;
mod folders;
mod orders;
mod out;
mod shop;
mod stopped;
