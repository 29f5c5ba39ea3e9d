//! What the daemon knows about itself: plain values, no measuring.
