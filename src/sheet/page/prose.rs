//! Words in a page: the sheet's own, and those of others before they are published.
//!
//! Writes no number: the sheet's own words are fixed when the program is built, so none can slip into them.

use maud::{Markup, html};

use super::super::plot::Plot;
use crate::document::private::{without_folders, without_vehicle_numbers};
use crate::store::bundle::scrub::without_coordinates;

/// What may be published of the words of others.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Publish {
    /// Coordinates stay where someone wrote them.
    pub positions: bool,
    /// Vehicle identification numbers stay where someone wrote one.
    pub vehicle_numbers: bool,
}

impl Publish {
    /// A text as it may be published: of a path from the root of a disk the last part alone, no coordinates, no vehicle number.
    pub fn text(self, text: &str) -> String {
        let text = without_folders(text);
        let text = if self.positions { text } else { without_coordinates(&text) };
        if self.vehicle_numbers { text } else { without_vehicle_numbers(&text).into_owned() }
    }

    /// A plot as it may be published: what is written in it names the car, and some name a car by its number.
    pub fn plot(self, plot: &Plot) -> Plot {
        let svg = match self.vehicle_numbers {
            true => plot.svg.clone(),
            // Only what is written: a line's coordinates are no words.
            false => plot.svg.split_inclusive('<').map(written_without_numbers).collect(),
        };
        Plot { name: plot.name, title: self.text(&plot.title), alternative: self.text(&plot.alternative), svg }
    }
}

/// `tag attributes>words<`: of the words no vehicle number.
fn written_without_numbers(part: &str) -> String {
    match part.split_once('>') {
        Some((tag, words)) => format!("{tag}>{}", without_vehicle_numbers(words)),
        None => part.to_owned(),
    }
}

/// The sheet's own words; those that hold a digit (95 %, ISO 3779) are marked, so that whoever looks for numbers that come from
/// nowhere finds none.
pub(super) fn prose(text: &'static str) -> Markup {
    let words = text.split(' ').enumerate();
    html! {
        @for (index, word) in words {
            @if index > 0 { " " }
            @if word.bytes().any(|byte| byte.is_ascii_digit()) { span.word { (word) } } @else { (word) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_published_names_no_folder_and_no_car() {
        let text =
            "/home/someone/tests/heron.toml: (/data/run=1) 16.9 kWh/100 km, -48.0001, -123.0002; ZZ9HERN27RA000042";
        let left = "heron.toml: (run=1) 16.9 kWh/100 km, [position left out]; (vehicle number removed)";
        assert_eq!(Publish::default().text(text), left);
        let kept = Publish { positions: true, vehicle_numbers: true }.text(text);
        assert!(kept.contains("-48.0001, -123.0002"), "{kept}");
        assert!(kept.ends_with("ZZ9HERN27RA000042") && !kept.contains("someone"), "{kept}");
        let windows = Publish::default().text("C:\\tests\\heron.toml and ~/heron.toml");
        assert_eq!(windows, "heron.toml and heron.toml");
    }

    #[test]
    fn what_is_written_in_a_plot_names_no_car() {
        let svg = "<svg><path d=\"M10H12V12345678912\"/><text>ZZ9HERN27RA000042. Speed</text></svg>";
        let words = "Of ZZ9HERN27RA000042.".to_owned();
        let plot = Plot { name: "along", title: words.clone(), alternative: words, svg: svg.into() };
        let left = Publish::default().plot(&plot);
        assert_eq!(left.svg, svg.replace("ZZ9HERN27RA000042", "(vehicle number removed)"));
        assert_eq!(
            (&*left.title, &*left.alternative),
            ("Of (vehicle number removed).", "Of (vehicle number removed).")
        );
        assert_eq!(Publish { vehicle_numbers: true, ..Publish::default() }.plot(&plot), plot);
    }

    #[test]
    fn digits_of_the_sheets_own_words_are_marked() {
        assert_eq!(prose("a 95 % interval").into_string(), "a <span class=\"word\">95</span> % interval");
    }
}
