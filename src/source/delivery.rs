//! What a source hands to the writer, and the receipt that goes back.
//!
//! Not the decoding (that is `decode`) and not the storing: a delivery is
//! the joint between the two.

use std::collections::VecDeque;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use crate::observation::Message;
use crate::source::MOST_UNCONFIRMED;
use crate::source::room::Taken;
use crate::units::Instant;

/// Which door a delivery came in by: `inlet`, `broker 127.0.0.1:1883`,
/// `serial /dev/…`. Cheap to clone.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceName(Arc<str>);

impl SourceName {
    /// A name as shown to the grower.
    #[must_use]
    pub fn new(text: &str) -> Self {
        Self(Arc::from(text))
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for SourceName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// One packet or line on its way to the writer.
#[derive(Debug)]
pub struct Delivery {
    /// The door it came in by.
    pub source: SourceName,
    /// When it arrived, by the host's clock.
    pub received: Instant,
    /// Whether it came live: no backlog was being drained, so that the
    /// instant of arrival says something about the instant of the sample.
    pub steady: bool,
    /// The MQTT topic; none on a serial line.
    pub topic: Option<String>,
    /// The sender says that it has sent this before.
    pub dup: bool,
    /// What came, for refusals and digests.
    pub bytes: Vec<u8>,
    /// What it says, or why it was refused.
    pub content: Result<Message, String>,
    /// To be confirmed once the content is on disk.
    pub receipt: Receipt,
    /// The memory it may take.
    pub room: Taken,
}

/// What a message weighs in memory: one for each sample and each 512 bytes
/// of topic, payload and reasons, at least one.
pub(crate) fn weight(
    content: &Result<Message, String>,
    n_bytes: usize,
) -> usize {
    let (n_samples, n_reasons) = match content {
        Ok(message) => {
            let reasons = message.refused.iter().map(|(_, why)| why.len());
            (message.samples.len(), reasons.sum())
        }
        Err(why) => (0, why.len()),
    };
    (n_samples + (n_bytes + n_reasons) / 512).max(1)
}

impl Delivery {
    /// What it weighs in memory.
    pub(crate) fn weight(&self) -> usize {
        let topic = self.topic.as_ref().map_or(0, String::len);
        weight(&self.content, topic + self.bytes.len())
    }
}

/// The sender's claim to an acknowledgement.
///
/// [`Receipt::confirm`] lets it go out. A receipt that is dropped instead is
/// never acknowledged, and an MQTT connection whose receipt was dropped is
/// closed, because only then does its peer send again.
#[derive(Debug)]
pub struct Receipt(Way);

#[derive(Debug)]
enum Way {
    /// Nobody waits for an answer.
    Nobody,
    /// A packet of one MQTT connection, by its number in that connection.
    Packet { list: Arc<Unconfirmed>, number: u64, comes_again: bool },
    /// An answer on one opening of a serial port.
    Line { answers: Arc<Answers>, text: String },
}

impl Receipt {
    /// A receipt that nobody waits for.
    #[must_use]
    pub fn nobody() -> Self {
        Self(Way::Nobody)
    }

    pub(crate) fn line(answers: &Arc<Answers>, text: String) -> Self {
        Self(Way::Line { answers: Arc::clone(answers), text })
    }

    /// Whether the sender keeps the message until it is acknowledged, and
    /// sends it again otherwise. (A board on a cable may, but need not.)
    #[must_use]
    pub fn comes_again(&self) -> bool {
        matches!(self.0, Way::Packet { comes_again: true, .. })
    }

    /// The content is on disk, or was refused and the refusal is kept: the
    /// sender may forget it.
    pub fn confirm(mut self) {
        match std::mem::replace(&mut self.0, Way::Nobody) {
            Way::Nobody => {}
            Way::Packet { list, number, .. } => list.confirm(number),
            Way::Line { answers, text } => answers.push(text),
        }
    }
}

impl Drop for Receipt {
    fn drop(&mut self) {
        if let Way::Packet { list, .. } = &self.0 {
            list.give_up();
        }
    }
}

/// A poisoned lock holds plain data that is whole between two statements, so
/// it is used as it is.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The packets of one MQTT connection that wait for their confirmation, in
/// the order of arrival, which is the order of the acknowledgements
/// (MQTT-4.6.0-2).
///
/// Each connection has its own list; receipts of an older connection fill a
/// list that nobody reads any more, so a late acknowledgement cannot hit a
/// packet of the next connection that happens to have the same identifier.
#[derive(Debug, Default)]
pub(crate) struct Unconfirmed {
    waiting: Mutex<Waiting>,
    news: Notify,
}

#[derive(Debug, Default)]
struct Waiting {
    /// The number of the packet at the front.
    first: u64,
    packets: VecDeque<Packet>,
    /// The weights of all packets together.
    weight: usize,
    given_up: bool,
}

#[derive(Debug)]
struct Packet {
    /// None with QoS 0.
    id: Option<u16>,
    weight: usize,
    confirmed: bool,
}

impl Unconfirmed {
    /// Takes a packet into the list, with what it weighs in memory.
    pub(crate) fn register(
        self: &Arc<Self>,
        id: Option<u16>,
        weight: usize,
    ) -> Receipt {
        let mut waiting = lock(&self.waiting);
        let number = waiting.first + waiting.packets.len() as u64;
        waiting.packets.push_back(Packet { id, weight, confirmed: false });
        waiting.weight += weight;
        let comes_again = id.is_some();
        Receipt(Way::Packet { list: Arc::clone(self), number, comes_again })
    }

    fn confirm(&self, number: u64) {
        let mut waiting = lock(&self.waiting);
        let place = usize::try_from(number - waiting.first)
            .expect("a list of packets is shorter than the address space");
        waiting.packets[place].confirmed = true;
        let goes_out = place == 0;
        drop(waiting);
        if goes_out {
            self.news.notify_one();
        }
    }

    fn give_up(&self) {
        lock(&self.waiting).given_up = true;
        self.news.notify_one();
    }

    /// Moves the identifiers that may be acknowledged now into `ids`.
    pub(crate) fn take_confirmed(&self, ids: &mut Vec<u16>) {
        let mut waiting = lock(&self.waiting);
        while let Some(packet) =
            waiting.packets.pop_front_if(|packet| packet.confirmed)
        {
            waiting.first += 1;
            waiting.weight -= packet.weight;
            ids.extend(packet.id);
        }
    }

    /// How many packets wait.
    pub(crate) fn len(&self) -> usize {
        lock(&self.waiting).packets.len()
    }

    /// Whether so much waits that no more is to be read.
    pub(crate) fn is_full(&self) -> bool {
        lock(&self.waiting).weight >= MOST_UNCONFIRMED
    }

    /// Whether a receipt was dropped: the connection has to be closed.
    pub(crate) fn given_up(&self) -> bool {
        lock(&self.waiting).given_up
    }

    /// Returns when there may be something to take, or a receipt was dropped.
    pub(crate) async fn news(&self) {
        self.news.notified().await;
    }
}

/// The answers that wait to be written to one opening of a serial port.
#[derive(Debug, Default)]
pub(crate) struct Answers(Mutex<VecDeque<String>>);

impl Answers {
    fn push(&self, text: String) {
        lock(&self.0).push_back(text);
    }

    /// The oldest answer that waits.
    pub(crate) fn pop(&self) -> Option<String> {
        lock(&self.0).pop_front()
    }

    /// Forgets what waits; returns how many that were.
    pub(crate) fn clear(&self) -> usize {
        let mut answers = lock(&self.0);
        let count = answers.len();
        answers.clear();
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(list: &Unconfirmed) -> Vec<u16> {
        let mut ids = Vec::new();
        list.take_confirmed(&mut ids);
        ids
    }

    /// OASIS MQTT 3.1.1, MQTT-4.6.0-2 (from memory): PUBACK packets are sent
    /// in the order in which the PUBLISH packets were received.
    #[test]
    fn acknowledgements_keep_the_order_of_arrival() {
        let list = Arc::new(Unconfirmed::default());
        let receipts: Vec<_> =
            [7, 3, 9].map(|id| list.register(Some(id), 1)).into();
        let [seven, three, nine] = receipts.try_into().unwrap();
        three.confirm();
        assert!(taken(&list).is_empty());
        seven.confirm();
        assert_eq!(taken(&list), [7, 3]);
        nine.confirm();
        assert_eq!(taken(&list), [9]);
        assert_eq!(list.len(), 0);
    }

    #[test]
    fn a_packet_without_identifier_counts_but_is_not_acknowledged() {
        let list = Arc::new(Unconfirmed::default());
        let (none, some) = (list.register(None, 1), list.register(Some(1), 1));
        assert_eq!(list.len(), 2);
        some.confirm();
        none.confirm();
        assert_eq!(taken(&list), [1]);
    }

    #[test]
    fn what_is_heavy_fills_the_list_as_many_do() {
        let list = Arc::new(Unconfirmed::default());
        let one = list.register(Some(1), MOST_UNCONFIRMED - 1);
        assert!(!list.is_full());
        let two = list.register(None, 1);
        assert!(list.is_full());
        assert!(one.comes_again() && !two.comes_again());
        one.confirm();
        assert_eq!(taken(&list), [1]);
        assert!(!list.is_full());
        two.confirm();
    }

    #[test]
    fn a_dropped_receipt_is_never_acknowledged() {
        let list = Arc::new(Unconfirmed::default());
        drop(list.register(Some(1), 1));
        assert!(list.given_up());
        assert!(taken(&list).is_empty());
    }

    #[test]
    fn answers_go_out_only_after_confirmation() {
        let answers = Arc::new(Answers::default());
        let kept = Receipt::line(&answers, "+a".to_owned());
        drop(Receipt::line(&answers, "+b".to_owned()));
        assert_eq!(answers.pop(), None);
        kept.confirm();
        assert_eq!(answers.pop().as_deref(), Some("+a"));
        assert_eq!(answers.pop(), None);
    }
}
