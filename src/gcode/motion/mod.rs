//! How long the moves of a file take: trapezoids of speed under a look-ahead, as printers' firmware plans them.
//!
//! Owns the limits in force, the corners between moves and the timetable of a print. Refuses to know how bytes become moves
//! (`walk` does), and what a printer waits for: heating, homing, levelling and people count no time here.

mod in_force;
mod leg;
mod leg_run;
mod print_time;
mod timetable;
mod window;

pub use print_time::PrintTime;
