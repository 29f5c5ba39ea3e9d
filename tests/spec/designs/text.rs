//! A report's page as a person reads it: words without markup, figures as
//! their titles.

/// Parts that are the same in every report, or change with the program.
const LEFT_OUT: [&str; 4] = ["methods", "care", "containers", "batches"];

/// Tables that other tests look at.
const TABLES: [&str; 6] = [
    "Climate and doses",
    "Which board spoke",
    "Where the log is silent",
    "Stays",
    "What was lost in the cold",
    "By day and by night",
];

/// The text of a page, a line for each block or row.
pub(super) fn text(page: &str) -> String {
    let main = page.split_once("<main>").unwrap().1;
    let main = main.split_once("</main>").unwrap().0;
    let mut words = String::new();
    let mut rest = main;
    while let Some((before, after)) = rest.split_once('<') {
        words += before;
        let (tag, after) = after.split_once('>').unwrap();
        rest = after;
        let name = tag.split([' ', '/']).find(|n| !n.is_empty()).unwrap();
        if name == "section" && LEFT_OUT.iter().any(|id| has_id(tag, id)) {
            rest = rest.split_once("</section>").unwrap().1;
        } else if name == "footer" && !tag.starts_with('/') {
            rest = rest.split_once("</footer>").unwrap().1;
        } else if tag.starts_with("table") && known_table(rest) {
            rest = rest.split_once("</table>").unwrap().1;
        } else if name == "svg" && !tag.starts_with('/') {
            let (inside, after) = rest.split_once("</svg>").unwrap();
            if let Some((_, title)) = inside.split_once("<title>") {
                let title = title.split_once("</title>").unwrap().0;
                words += &format!("\n[figure: {title}]\n");
            }
            rest = after;
        } else if tag.starts_with("div class=\"narrow\"") {
            rest = rest.split_once("</svg>").unwrap().1;
        } else {
            words += mark(name, tag.starts_with('/'));
        }
    }
    words += rest;
    let plain = words
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    let lines: Vec<String> = plain
        .lines()
        .map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "))
        .filter(|line| !line.is_empty() && line != "-")
        .collect();
    lines.join("\n") + "\n"
}

fn known_table(rest: &str) -> bool {
    let caption = rest.trim_start().strip_prefix("<caption>");
    caption.is_some_and(|caption| TABLES.iter().any(|t| caption.starts_with(t)))
}

fn has_id(tag: &str, id: &str) -> bool {
    tag.contains(&format!("id=\"{id}\""))
}

fn mark(name: &str, ends: bool) -> &'static str {
    match (name, ends) {
        ("h1", false) => "\n# ",
        ("h2", false) => "\n## ",
        ("h3", false) => "\n### ",
        ("li", false) => "\n- ",
        ("td" | "th", true) => " | ",
        ("br", _) | ("span", false) => " ",
        ("p" | "tr" | "caption" | "dl" | "dt" | "dd" | "ul" | "ol", _)
        | ("section" | "table" | "h1" | "h2" | "h3" | "li", true) => "\n",
        _ => "",
    }
}
