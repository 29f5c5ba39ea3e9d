//! The specification: one chapter a file, each test a sentence.

mod figures;
