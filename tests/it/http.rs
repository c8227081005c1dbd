//! The HTTP room from outside: a real store, a real way in for files, and a foreman that plays its part from memory.

mod access;
mod commission;
mod curve;
mod events;
mod fake;
mod forecast;
mod jobs;
mod lines;
mod page;
mod picture;
mod problems;
mod upload;
