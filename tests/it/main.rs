//! Integration tests: one binary, a module a subject.

mod cycle;
mod ground;
mod lexer;
mod survey;
mod walk;
mod wire;
