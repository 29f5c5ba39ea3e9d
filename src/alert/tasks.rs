//! What the grower wants to be reminded of: units that nobody looked at,
//! batches whose chilling is due.
//!
//! Not the round, which lists everything to be looked at today. Reminders are
//! gathered: what begins on one day, for one reason, in one trial, is one
//! message, given in the morning.

use std::collections::BTreeMap;

use chrono_tz::Tz;

use crate::alert::wording::local;
use crate::alert::{Alert, AlertId, AlertKind, Change, Severity};
use crate::observation::Name;
use crate::trial::book::Trial;
use crate::trial::unit::Unit;
use crate::units::Instant;

const DAY: i64 = 24 * 3_600_000;
/// A unit is forgotten after so many days without a look.
const UNLOOKED_DAYS: i64 = 14;
/// A batch is overdue so many days after it was due.
const OVERDUE_DAYS: i64 = 7;
/// First sprouts are looked for from this part of the planned chilling on.
/// Source: sprouting in the cold before the planned date is a common
/// complaint; the part itself is a convention of this program.
const FIRST_LOOK_PART: f64 = 0.6;
/// The factor that says how long a batch is to be chilled.
const CHILL_WEEKS: &str = "chill_weeks";
/// So many names a message holds.
const NAMED: usize = 12;

/// Why a unit needs somebody.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Task {
    /// It was not looked at for 14 days.
    Unlooked,
    /// 60 % of the planned chilling is over and it was not looked at since.
    FirstLook,
    /// Its planned chilling is over.
    Due,
    /// It was over a week ago.
    Overdue,
}

impl Task {
    /// All with their words.
    pub const WORDS: [(Self, &'static str); 4] = [
        (Self::Unlooked, "unlooked"),
        (Self::FirstLook, "first-look"),
        (Self::Due, "due"),
        (Self::Overdue, "overdue"),
    ];

    fn kind(self) -> AlertKind {
        match self {
            Self::Unlooked => AlertKind::Unlooked,
            Self::FirstLook => AlertKind::FirstLook,
            Self::Due => AlertKind::Due,
            Self::Overdue => AlertKind::Overdue,
        }
    }

    /// What the watch is called, as in `rowan-chill-overdue`.
    #[must_use]
    pub fn key(self, trial: &Name) -> String {
        format!("{trial}-{}", AlertKind::word(self.kind()))
    }
}

/// The units of a trial that need somebody now, for each reason. A unit has
/// one reason: the strongest.
#[must_use]
pub fn tasks(trial: &Trial, now: Instant) -> BTreeMap<Task, Vec<Name>> {
    let mut tasks: BTreeMap<Task, Vec<Name>> = BTreeMap::new();
    let open = trial.units.values().filter(|unit| {
        unit.closure.is_none() && unit.left() > 0 && unit.begun.at <= now
    });
    for unit in open {
        let unlooked =
            now.millis_since(unit.last_looked()) >= UNLOOKED_DAYS * DAY;
        let task = chilling(trial, unit, now)
            .or_else(|| unlooked.then_some(Task::Unlooked));
        if let Some(task) = task {
            tasks.entry(task).or_default().push(unit.name.clone());
        }
    }
    tasks
}

/// How the planned chilling of a batch stands, while it lies where it began.
fn chilling(trial: &Trial, unit: &Unit, now: Instant) -> Option<Task> {
    if unit.is_container() {
        return None;
    }
    let (weeks, _) = trial.level(unit, CHILL_WEEKS)?;
    let weeks: u32 = weeks.trim().parse().ok().filter(|weeks| *weeks > 0)?;
    let began = trial.history(unit, now).into_iter().find(|s| s.moist)?;
    if unit.stay_at(now)?.place != began.place {
        return None;
    }
    let whole = i64::from(weeks) * 7 * DAY;
    let due = began.from.plus_millis(whole);
    let first =
        began.from.plus_hours(f64::from(weeks) * 7.0 * 24.0 * FIRST_LOOK_PART);
    if now >= due.plus_millis(OVERDUE_DAYS * DAY) {
        Some(Task::Overdue)
    } else if now >= due {
        Some(Task::Due)
    } else if now >= first && unit.last_looked() < first {
        Some(Task::FirstLook)
    } else {
        None
    }
}

/// Units that were told together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// When.
    pub raised: Instant,
    /// Which.
    pub units: Vec<Name>,
}

/// Takes the units that need somebody for one reason, and says which groups
/// began and ended. A unit that was told stays told while its group lasts.
///
/// # Arguments
/// - `may_tell`: the hour for reminders has come; endings are told at once.
#[must_use]
pub fn step(
    mut groups: Vec<Group>,
    present: &[Name],
    now: Instant,
    may_tell: bool,
) -> (Vec<Group>, Vec<(Change, Group)>) {
    let mut told = Vec::new();
    groups.retain(|group| {
        let lasts = group.units.iter().any(|unit| present.contains(unit));
        if !lasts {
            told.push((Change::Cleared, group.clone()));
        }
        lasts
    });
    let fresh: Vec<Name> = present
        .iter()
        .filter(|unit| !groups.iter().any(|g| g.units.contains(unit)))
        .cloned()
        .collect();
    if may_tell && !fresh.is_empty() {
        let group = Group { raised: now, units: fresh };
        told.push((Change::Raised, group.clone()));
        groups.push(group);
    }
    (groups, told)
}

/// The message.
#[must_use]
pub fn alert(
    trial: &Trial,
    task: Task,
    (change, group): (Change, &Group),
    now: Instant,
    zone: Tz,
) -> Alert {
    let n = group.units.len();
    let (verb, units) = if n == 1 { ("is", "unit") } else { ("are", "units") };
    let places = by_place(trial, &group.units, now);
    let text = if change == Change::Cleared {
        format!(
            "Trial {}: done for {n} {units} that {verb} told on {}: {places}.",
            trial.name,
            local(group.raised, zone)
        )
    } else {
        let (what, often, safe) = words(task);
        format!(
            "Trial {}: {n} {units} {what}: {places}. Often: {often}. Safe to \
             do: {safe}. A look recorded on the unit's page, or with \
             `vernalog record check`, says that you have seen it.",
            trial.name
        )
    };
    let key = task.key(&trial.name);
    Alert {
        id: AlertId::new(&key, group.raised),
        kind: task.kind(),
        watch: key,
        place: None,
        quantity: None,
        state: change,
        since: group.raised,
        at: now,
        value: None,
        limit: None,
        severity: Severity::Normal,
        text,
    }
}

fn words(task: Task) -> (&'static str, &'static str, &'static str) {
    match task {
        Task::Unlooked => (
            "not looked at for 14 days or more",
            "one bag behind another",
            "look through the lid or bag; open it only when there is \
             something to see, and bag mouldy seed outdoors without sniffing \
             at it",
        ),
        Task::FirstLook => (
            "past 60 % of the planned chilling and not looked at since",
            "seeds that sprout in the cold before the planned date",
            "look for white tips through the bag, and count what has \
             germinated",
        ),
        Task::Due => (
            "chilled as long as planned",
            "no time to sow this week",
            "sow them, or look at them each week until you can",
        ),
        Task::Overdue => (
            "chilled a week longer than planned, or more",
            "a date that passed unseen",
            "look for sprouts and mould first; then sow, or record that they \
             are closed",
        ),
    }
}

/// `fridge-drawer: m12a, m12b; stair-landing: r1`, with an end.
fn by_place(trial: &Trial, units: &[Name], now: Instant) -> String {
    let mut places: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for name in units.iter().take(NAMED) {
        let stay = trial.units.get(name).and_then(|unit| unit.stay_at(now));
        let place = stay.map_or("nowhere stated", |s| s.place.as_str());
        places.entry(place).or_default().push(name.as_str());
    }
    let named: Vec<String> = places
        .into_iter()
        .map(|(place, units)| format!("{place}: {}", units.join(", ")))
        .collect();
    let more = units.len().saturating_sub(NAMED);
    let more =
        if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{more}", named.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::story::{minute, name};
    use crate::trial::book::Book;
    use crate::trial::entry::{
        Batch, Check, Counted, Draft, Entry, EntryId, Look, PlaceKind,
        Statement,
    };
    use crate::trial::when::When;
    use Change::{Cleared, Raised};

    fn day(day: i64) -> Instant {
        minute(day * 1440)
    }

    /// Two batches of 12 and 18 weeks begun on day 0, looked at on `looks`.
    fn trial(looks: &[(&str, i64)]) -> Trial {
        let mut said = vec![
            (
                0,
                Statement::Trial {
                    trial: name("rowan"),
                    question: String::new(),
                    planned: Vec::new(),
                },
            ),
            (
                0,
                Statement::Place {
                    place: name("fridge"),
                    place_kind: PlaceKind::Fridge,
                    light_source: String::new(),
                    title: String::new(),
                },
            ),
        ];
        for (batch, weeks) in [("m12", "12"), ("m18", "18")] {
            said.push((
                0,
                Statement::Batch(Batch {
                    batch: name(batch),
                    lot: None,
                    parent: None,
                    seeds: 50,
                    label: None,
                    factors: [(CHILL_WEEKS.to_owned(), weeks.to_owned())]
                        .into(),
                }),
            ));
            said.push((
                0,
                Statement::Stay {
                    unit: name(batch),
                    place: Some(name("fridge")),
                    until: None,
                    moist: true,
                    position: String::new(),
                },
            ));
        }
        for (unit, on) in looks {
            said.push((
                *on,
                Statement::Check(Check {
                    unit: name(unit),
                    germinated: Counted::New(0),
                    mouldy_now: 0,
                    removed_mould: 0,
                    removed_other: 0,
                    medium: String::new(),
                    looked: Look::ThroughLid,
                    note: String::new(),
                    by: String::new(),
                }),
            ));
        }
        let entries: Vec<Entry> = said
            .into_iter()
            .zip(1..)
            .map(|((on, statement), id)| Entry {
                id: EntryId(id),
                draft: Draft::new(
                    (!statement.is_of_the_house())
                        .then(|| name("rowan"))
                        .as_ref(),
                    When::exactly(day(on)),
                    statement,
                ),
                written: day(on),
                by: String::new(),
                origin: String::new(),
            })
            .collect();
        let (book, problems) = Book::build(&entries);
        assert_eq!(problems, []);
        book.trials[&name("rowan")].clone()
    }

    fn on(trial: &Trial, at: i64) -> Vec<(Task, String)> {
        tasks(trial, day(at))
            .into_iter()
            .map(|(task, units)| {
                let units: Vec<_> = units.iter().map(Name::as_str).collect();
                (task, units.join(" "))
            })
            .collect()
    }

    #[test]
    fn a_batch_is_due_after_its_weeks_and_overdue_a_week_later() {
        // Looked at each week, as is usual.
        let weekly: Vec<_> = (1..30)
            .flat_map(|week| [("m12", week * 7), ("m18", week * 7)])
            .collect();
        let trial = trial(&weekly);
        assert_eq!(on(&trial, 83), []);
        assert_eq!(on(&trial, 84), [(Task::Due, "m12".to_owned())]);
        assert_eq!(on(&trial, 91), [(Task::Overdue, "m12".to_owned())]);
        assert_eq!(
            on(&trial, 126),
            [(Task::Due, "m18".to_owned()), (Task::Overdue, "m12".to_owned())]
        );
    }

    #[test]
    fn the_first_look_is_due_after_60_per_cent_of_the_time() {
        // 60 % of 12 weeks are 50.4 days, of 18 weeks 75.6.
        let looked = trial(&[("m12", 45), ("m18", 45), ("m12", 52)]);
        assert_eq!(on(&looked, 50), []);
        let fresh = trial(&[("m12", 45), ("m18", 45)]);
        assert_eq!(on(&fresh, 51), [(Task::FirstLook, "m12".to_owned())]);
        assert_eq!(on(&looked, 53), [], "it was looked at since");
    }

    #[test]
    fn a_unit_nobody_looked_at_for_14_days_is_told() {
        let trial = trial(&[("m12", 10)]);
        assert_eq!(on(&trial, 13), []);
        assert_eq!(on(&trial, 14), [(Task::Unlooked, "m18".to_owned())]);
        assert_eq!(on(&trial, 24), [(Task::Unlooked, "m12 m18".to_owned())]);
    }

    #[test]
    fn what_begins_on_one_day_is_one_message_given_in_the_morning() {
        let units = [name("m12"), name("m18")];
        let (groups, told) = step(Vec::new(), &units, day(14), false);
        assert_eq!((groups.len(), told.len()), (0, 0), "it is night");
        let (groups, told) = step(groups, &units, day(15), true);
        assert_eq!(told.len(), 1);
        assert_eq!(told[0].0, Raised);
        // Told once; one of the two that was looked at ends nothing.
        let (groups, told) = step(groups, &units[1..], day(16), true);
        assert_eq!(told, []);
        let (groups, told) = step(groups, &[], day(17), false);
        assert_eq!((groups.len(), told.len()), (0, 1));
        assert_eq!(told[0].0, Cleared);
    }

    #[test]
    fn the_text_names_the_units_by_place() {
        let trial = trial(&[]);
        let units = vec![name("m12"), name("m18")];
        let group = Group { raised: day(14), units };
        let zone = chrono_tz::Europe::Dublin;
        let told = (Raised, &group);
        let text = alert(&trial, Task::Unlooked, told, day(14), zone).text;
        assert!(
            text.starts_with(
                "Trial rowan: 2 units not looked at for 14 days or more: \
                 fridge: m12, m18. Often:"
            ),
            "{text}"
        );
    }
}
