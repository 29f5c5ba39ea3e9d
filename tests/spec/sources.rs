//! Collecting: what comes in by the inlet, a broker and a serial port, and
//! what is acknowledged when.

mod broker;
mod inlet;
mod inlet_boards;
mod serial;
