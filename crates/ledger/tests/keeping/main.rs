//! Keeping a shop intact: `check` finds what is damaged and nothing else; a backup is made while the shop
//! sells, and restored on either engine.

mod backup;
mod breaking;
mod broken_customers;
mod broken_deposits;
mod broken_goods;
mod broken_live;
mod broken_money;
mod erased;
mod full_live;
mod full_orders;
mod full_shop;
mod place;
mod refused;

mod schema;
