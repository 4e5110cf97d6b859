//! The program from outside, on both engines: killed, raced, backed up, and beside an online shop.

mod keep;
mod kill;
mod race;
mod village;
