//! Orders: what becomes of each, on both engines from one text.

mod any_order;
mod build;
mod changed;
mod closest;
mod decided;
mod difference;
mod limits;
mod money_back;
mod past;
mod refunded;
mod settled;
mod states;
mod taken;
mod unlucky;
