//! The ledger from outside, each test on both engines from one text.
//!
//! PostgreSQL is a superuser's address in `FLEECEFOLD_TEST_PG`; `tests/run` starts one and sets it.

mod approvals;
mod audit;
mod books;
mod bounds;
mod certificates;
mod connections;
mod correct;
mod counter;
mod customers;
mod day;
mod deposits;
mod exchange;
mod expected;
mod find;
mod full_disk;
mod harness;
mod ids;
mod items;
mod limits;
mod machine;
mod make;
mod new_exchange;
mod opening;
mod people;
mod proof;
mod races;
mod receipts;
mod refunds;
mod reprice;
mod sales;
mod schema;
mod settings;
mod stock;
mod stock_count;
mod tags;
mod takings;
mod today;
mod troubles;
mod undo;
mod waits;
mod workbench;
