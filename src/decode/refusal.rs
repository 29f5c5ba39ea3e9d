//! Why bytes were not taken: one reason a variant, written for the person
//! who has the board on the bench.
//!
//! Not an error of the program: a refusal is an ordinary outcome, counted
//! and shown.

use crate::observation::{NameError, Quantity, shown};

/// Why a packet, a line, a sample or one value was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The packet is larger than a packet may be.
    #[error("packet of {bytes} bytes is over the limit of {limit}")]
    PacketTooLong {
        /// Its length.
        bytes: usize,
        /// The most that is taken.
        limit: usize,
    },
    /// The bytes are not UTF-8.
    #[error("byte {at} is not UTF-8 text")]
    NotText {
        /// Index of the first byte that does not fit.
        at: usize,
    },
    /// The text is not JSON (NaN and numbers beyond 64-bit floats are not).
    #[error("not JSON: {detail}")]
    NotJson {
        /// The parser's words, with line and column.
        detail: String,
    },
    /// One object has the same member twice, so its meaning is open.
    #[error("member \"{}\" appears twice in one object", shown(member))]
    MemberTwice {
        /// The member's name.
        member: String,
    },
    /// Objects or arrays within each other beyond what any message needs.
    #[error("nested deeper than {limit} levels")]
    TooDeep {
        /// The most that is taken.
        limit: usize,
    },
    /// Something else stands where an object belongs.
    #[error("{place} is {found}, not an object")]
    NotAnObject {
        /// Where.
        place: &'static str,
        /// What stands there.
        found: &'static str,
    },
    /// An array without elements.
    #[error("the array is empty")]
    EmptyArray,
    /// An array with more samples than one message may carry.
    #[error("array of {samples} samples is over the limit of {limit}")]
    TooManySamples {
        /// Its length.
        samples: usize,
        /// The most that is taken.
        limit: usize,
    },
    /// A member holds a value of the wrong sort.
    #[error("{member} is {found}, not {wanted}")]
    WrongSort {
        /// The member's name.
        member: String,
        /// What it holds, shown.
        found: String,
        /// What belongs there.
        wanted: &'static str,
    },
    /// A board, a probe or part of a topic is no name.
    #[error("{member} {error}")]
    NotAName {
        /// Which member or place.
        member: &'static str,
        /// The rule that it breaks.
        error: NameError,
    },
    /// A name that the host keeps for itself.
    #[error("\"{name}\" is kept for the host and is no board's name")]
    NameKept {
        /// The name.
        name: String,
    },
    /// The object speaks for another board than the topic or user does.
    #[error(
        "board \"{}\" inside a message of board \"{board}\"",
        shown(inside)
    )]
    OtherBoard {
        /// The board of the topic.
        board: String,
        /// The board named inside.
        inside: String,
    },
    /// A serial line has to say whose it is.
    #[error("the line does not name its board")]
    NoBoard,
    /// The boot identifier breaks its rule.
    #[error("boot \"{}\" is not 8 to 32 of 0–9 and a–z", shown(boot))]
    NotABoot {
        /// What was given.
        boot: String,
    },
    /// Some, but not all, of `boot`, `seq` and `up_ms`.
    #[error("boot, seq and up_ms belong together; {missing} is missing")]
    CountIncomplete {
        /// The first that is missing.
        missing: &'static str,
    },
    /// A claimed time that is not RFC 3339.
    #[error("time \"{}\" is not RFC 3339", shown(time))]
    NotATime {
        /// What was given.
        time: String,
    },
    /// Nothing was measured and no error was told.
    #[error("nothing was measured: no known quantity and no error")]
    NothingMeasured,
    /// A value outside what physics and home use allow.
    #[error(
        "{quantity} {value} {unit} is outside {low} to {high} {unit}{hint}"
    )]
    OutsidePhysics {
        /// What was measured.
        quantity: Quantity,
        /// The value.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// The lowest value taken.
        low: f64,
        /// The highest value taken.
        high: f64,
        /// What this very number usually means, or nothing.
        hint: &'static str,
    },
    /// A light value below the limit that it is said to exceed.
    #[error(
        "light {value} lx is below its own light_limit_lux {limit}; send the \
         limit only when the sensor is at its end"
    )]
    BelowOwnLimit {
        /// The value.
        value: f64,
        /// The limit sent with it.
        limit: f64,
    },
    /// Several samples of one array that only receive time could date.
    #[error(
        "cannot be told apart in time: an older sample of an array needs \
         boot, seq and up_ms, or time"
    )]
    Undatable,
    /// The same quantity of the same probe twice at one time.
    #[error("{quantity} appears twice at one time")]
    QuantityTwice {
        /// Which.
        quantity: Quantity,
    },
    /// A serial line longer than a line may be.
    #[error("line is over the limit of {limit} bytes")]
    LineTooLong {
        /// The most that is taken.
        limit: usize,
    },
    /// The port asks for a checksum and the line has none.
    #[error(
        "no checksum: the line does not end in * and 4 upper-case hex digits"
    )]
    NoChecksum,
    /// The checksum does not belong to the bytes before it.
    #[error(
        "checksum *{found:04X} does not fit the line, which gives *{computed:04X}"
    )]
    WrongChecksum {
        /// What the line says.
        found: u16,
        /// What its bytes give.
        computed: u16,
    },
    /// An array of our own format on a serial line.
    #[error("a serial line carries one object, not an array")]
    ArrayOnLine,
    /// A SenML pack breaks RFC 8428.
    #[error("SenML: {rule}")]
    Senml {
        /// The rule that it breaks.
        rule: String,
    },
    /// A SenML pack with records of more than one device.
    #[error(
        "SenML: a record of device \"{}\" in a pack of \"{}\"",
        shown(device),
        shown(first)
    )]
    OtherDevice {
        /// The device of this record.
        device: String,
        /// The device of the first record.
        first: String,
    },
    /// A topic that a mapping does not cover.
    #[error("topic \"{}\" does not match \"{filter}\"", shown(topic))]
    OtherTopic {
        /// The topic.
        topic: String,
        /// The mapping's filter.
        filter: String,
    },
}
