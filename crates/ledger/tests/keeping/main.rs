//! Keeping a shop whole: `check` finds what is broken and nothing else; a backup is taken while the
//! shop sells, and put back on either engine.

#[path = "../harness/mod.rs"]
mod harness;

mod backup;
mod breaking;
mod broken_goods;
mod broken_live;
mod broken_money;
mod full_live;
mod full_shop;
mod place;
mod refused;

mod schema;
