//! The report as one page: one file, no script, nothing fetched from
//! elsewhere, figures inside for both widths.
//!
//! Each chapter is a file of its own; sentences with judgement come from
//! `study`, titles from `messages`.

mod ahead;
mod chapters;
mod compared;
mod containers;
mod fridge;
mod losses;
mod methods;
mod methods_beside;
mod next;
mod places;
mod speed;
pub(crate) mod style;
mod table;
mod top;
mod warmth;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::report::Scene;
use crate::report::figures::{About, Figure};
use crate::report::words;
use crate::units::Instant;

/// When and by which version the page was made.
#[derive(Debug, Clone, Copy)]
pub struct Made<'a> {
    /// When.
    pub at: Instant,
    /// Version of the program.
    pub version: &'a str,
}

/// The whole page.
#[must_use]
pub fn html(scene: Scene<'_>, figures: &[Figure], made: Made<'_>) -> String {
    let title = words::plain(&scene.study.question);
    let title = if title.is_empty() {
        format!("Trial {}", scene.study.trial)
    } else {
        title
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport"
                    content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (title) " – " (scene.study.trial) }
                style { (PreEscaped(style::sheet(figures))) }
            }
            body {
                main {
                    (top::summary(scene, &title))
                    (top::contents(scene))
                    (places::chapter(scene, figures))
                    (chapters::conditions(scene, figures))
                    (warmth::chapter(scene, figures))
                    (chapters::treatment(scene, figures))
                    (chapters::factors(scene))
                    (ahead::chapter(scene))
                    (containers::chapter(scene))
                    (fridge::batches(scene))
                    (fridge::chapter(scene, figures))
                    (next::chapter(scene))
                    (methods::quality(scene))
                    (methods::care(scene))
                    (methods::chapter(scene))
                    (methods::versions(scene, made))
                }
            }
        }
    }
    .into_string()
}

/// A figure in both layouts; the style sheet shows one of them.
fn figure(figures: &[Figure], about: &About) -> Markup {
    let found = figures.iter().find(|figure| figure.about == *about);
    html! {
        @if let Some(figure) = found {
            figure {
                div.wide { (PreEscaped(style::without_style(&figure.wide))) }
                div.narrow {
                    (PreEscaped(style::without_style(&figure.narrow)))
                }
            }
        }
    }
}
