//! The program from outside, on both engines: killed, raced, backed up.

mod keep;
mod kill;
mod race;
