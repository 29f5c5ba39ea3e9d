//! What usually causes an alert, and the safe thing to do.
//!
//! Household experience, not findings and no cure: nothing here promises what
//! seeds bear, and nothing sends anybody to open wiring or a wet socket.

use crate::alert::Side;
use crate::observation::Quantity;
use crate::trial::entry::{PlaceKind, Rule};

/// Two half-sentences: after "Often:" and after "Safe to do:".
pub(super) struct Advice {
    /// What usually causes it.
    pub(super) often: &'static str,
    /// What can be done without harm.
    pub(super) safe: &'static str,
}

/// For a rule, a quantity at a kind of place, and the end that was passed.
pub(super) fn advice(
    rule: Rule,
    kind: PlaceKind,
    quantity: Quantity,
    side: Side,
) -> Advice {
    let (often, safe) = match rule {
        Rule::Range | Rule::Freezing => of_range(kind, quantity, side),
        Rule::DaySum => (
            "a door that is opened often, a seal that leaks, or a dial at the \
             edge",
            "look when it happens on the place's page, and at the seal and \
             the dial; turn the dial by a small step at most and wait a day",
        ),
        Rule::Drift => (
            "a dial that was knocked, much put in or taken out, or a room \
             that became warmer or colder",
            "look at the dial and keep the vents free; turn it by a small \
             step at most and wait a day before the next",
        ),
        Rule::Door => (
            "a door not quite shut, or a bag or jar that holds it open",
            "shut the door and see that nothing holds it; look after the food \
             first",
        ),
        Rule::Sensor => (
            "a wet sensor, a loose plug or a broken wire",
            "compare it with another one; take the board's low-voltage supply \
             off with dry hands before you touch a plug, and let a wet sensor \
             dry in the room",
        ),
    };
    Advice { often, safe }
}

fn of_range(
    kind: PlaceKind,
    quantity: Quantity,
    side: Side,
) -> (&'static str, &'static str) {
    use PlaceKind as P;
    match (quantity, side, kind) {
        (Quantity::Temperature, Side::High, P::Fridge) => (
            "a door not quite shut, the dial knocked, or much warm food put \
             in at once",
            "shut the door, look at the dial, and give it an hour before you \
             turn anything. Look after the food first",
        ),
        (Quantity::Temperature, Side::Low, P::Fridge) => (
            "the dial turned too cold, or the probe touching the back wall",
            "move the seeds away from the back wall and turn the dial a \
             little warmer; leave frozen bags closed and in the fridge",
        ),
        (Quantity::Temperature, Side::High, P::Tray) => (
            "the sun on it, or a heater whose regulator sticks",
            "shade it; take the heater's plug out with dry hands and leave \
             it out until you know why",
        ),
        (
            Quantity::Temperature,
            Side::High,
            P::Sill | P::ColdFrame | P::Outdoors,
        ) => (
            "the sun on closed containers or on the probe",
            "shade the containers or move them out of the sun; open a frame \
             a hand's breadth",
        ),
        (Quantity::Temperature, Side::High, _) => (
            "a heater nearby, the sun, or a closed door",
            "let air in, or move the containers to a cooler spot",
        ),
        (Quantity::Temperature, Side::Low, _) => (
            "heating switched off, a window left open, or a frosty night",
            "shut the window, or move the containers away from the glass",
        ),
        (Quantity::Humidity, Side::High, P::Fridge) => (
            "a leaking seal, a blocked drain, or something uncovered",
            "wipe up standing water, cover what is open, and look for mould \
             at the next round; do not sniff at mould, and bag it outdoors",
        ),
        (Quantity::Humidity, Side::High, _) => (
            "wet things nearby, no air moving, or a wet sensor",
            "let air in, and look for mould at the next round",
        ),
        (Quantity::Humidity, Side::Low, _) => (
            "dry heating air, or a lid left open",
            "close the lids, and feel whether the medium is still moist",
        ),
        (Quantity::Light, Side::High, _) => {
            ("direct sun", "shade the containers, and watch how warm they get")
        }
        (Quantity::Light, Side::Low, _) => (
            "a lamp or its timer that has stopped, or something in the way",
            "look at the lamp's timer and move what stands in the light",
        ),
        (Quantity::Battery, Side::Low, _) => (
            "a cell near its end, or a cold one",
            "put in a fresh cell of the same kind, within its maker's limits \
             for cold",
        ),
        (Quantity::Battery, Side::High, _) => (
            "the wrong supply, or a wrong divider in the board's settings",
            "take the supply off and compare it with the board's papers",
        ),
        (Quantity::Signal, _, _) => (
            "something metal in the way, or the receiver moved",
            "move the board or the receiver a little",
        ),
    }
}
