//! The binary from outside: what it prints where, and its exit codes.

mod bad_input;
mod certificates;
mod commands;
mod customers;
mod edge;
mod feeds;
mod files;
mod orders;
mod people;
mod serve;
mod service_manager;
mod shop;
mod sync;
