//! The program from outside, on both engines: killed, raced, backed up, and next to an online shop.

mod keep;
mod kill;
mod race;
mod village;
