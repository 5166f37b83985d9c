//! The shell of every HTML page that this program writes: one file that needs nothing else, on a screen and on paper.
//!
//! Holds the head, the style and the page's frame. Does not know what a page says, and has no script.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::plot::Plot;

/// The style of all pages: on screens of any width, by day and night, and on paper.
const STYLE: &str = include_str!("style.css");

/// What a page may load: nothing but its own style, and pictures that it holds itself.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

/// A whole page: `body` is what stands in its `main`; `lang` is a language tag (BCP 47); ends with a line end.
///
/// The page holds its style, loads nothing, and runs nothing.
pub fn shell(title: &str, lang: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang=(lang) {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                meta name="generator" content=(concat!("drawdown ", env!("CARGO_PKG_VERSION")));
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { main { (body) } }
        }
    };
    page.into_string() + "\n"
}

/// A table in a box of its own, which scrolls sideways where the screen is narrower than the table; the box can be reached by
/// the keyboard and has the table's caption as its name.
pub fn table(caption: &str, head: &[&str], rows: &Markup) -> Markup {
    html! {
        div.wide role="group" tabindex="0" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr { @for name in head { th scope="col" { (name) } } } }
                tbody { (rows) }
            }
        }
    }
}

/// A plot with its words for those who cannot see it, which anyone can unfold.
pub fn figure(plot: &Plot) -> Markup {
    html! {
        figure id={ "plot-" (plot.name) } {
            h3 class="unseen plot-words" { (plot.title) }
            div.plot tabindex="0" role="group" aria-label={ "Plot: " (plot.title) } { (PreEscaped(&plot.svg)) }
            figcaption {
                details { summary.plot-words { (plot.title) ", in words" } p.plot-words { (plot.alternative) } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_is_whole_and_loads_nothing() {
        let page = shell("A < B", "en-GB", &html! { h1 { "A & B" } });
        assert!(page.starts_with("<!DOCTYPE html><html lang=\"en-GB\"><head><meta charset=\"utf-8\">"), "{page}");
        assert!(page.contains("<title>A &lt; B</title>") && page.contains("<main><h1>A &amp; B</h1></main>"), "{page}");
        assert!(page.ends_with("</html>\n"));
        for reference in ["http:", "https:", "//", "url(", "@import", "<script", "<link"] {
            assert!(!page.contains(reference), "{reference}");
        }
    }
}
