//! The HTTP room from outside: a real store, a real way in for files, and a foreman that plays its part from memory.

mod access;
mod commission;
mod curve;
mod document;
mod events;
mod fake;
mod forecast;
mod house;
mod job_forms;
mod jobs;
mod key;
mod keys;
mod lines;
mod once;
mod page;
mod pages;
mod picture;
mod problems;
mod proofs;
mod routes;
mod schema;
mod second_thoughts;
mod tls;
mod upload;
