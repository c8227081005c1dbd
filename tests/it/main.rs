//! Integration tests: one binary, a module a subject.

mod cycle;
mod ground;
mod http;
mod infeed;
mod lexer;
mod real_prints;
mod store;
mod survey;
mod walk;
mod wire;
