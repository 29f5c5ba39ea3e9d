//! What a next trial should change, with the units and seeds it takes.

use maud::{Markup, html};

use crate::report::{Scene, words};

pub(super) fn chapter(scene: Scene<'_>) -> Markup {
    let next = &scene.study.next;
    html! {
        @if !next.is_empty() {
            section #next aria-labelledby="h-next" {
                h2 #h-next { "What next" }
                p {
                    "To tell apart what this trial could not:"
                }
                ul.cautions {
                    @for one in next { li { (words::plain(&one.text)) } }
                }
                @if next.iter().any(|one| one.needs.is_some()) { p.small {
                    "Units are those with which a report like this one would \
                     state the difference of the two levels furthest apart \
                     (other levels midway): F on the scatter between units \
                     below 5 %, before Holm's correction, and an interval of \
                     the pair without 0; by 1,000 invented trials. "
                    code { "vernalog plan" }
                    " lays out a trial for other numbers."
                } }
            }
        }
    }
}
