//! Integration tests: one binary, a module a subject.

mod bad_input;
mod belt_work;
mod commission;
mod cycle;
mod demo;
mod demo_jobs;
mod forecast;
mod ground;
mod house_rules;
mod http;
mod infeed;
mod inspect;
mod lexer;
mod line_heat;
mod line_work;
mod motion;
mod plant;
mod power_cut;
mod real_prints;
mod simulate;
mod store;
mod survey;
mod textbook_cooling;
mod walk;
mod wire;
