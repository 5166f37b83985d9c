//! Takes vehicle identification numbers, and the folders of a computer, out of text that is to be published.
//!
//! Reads no file and knows no document; whatever is meant for other people's eyes goes through it. Finds a number by its
//! shape alone: a number that was typed wrong, or broken over two lines, is not found.

use std::borrow::Cow;

/// What stands where a number stood.
pub const REMOVED: &str = "(vehicle number removed)";

/// Characters of a vehicle identification number (ISO 3779).
const LENGTH: usize = 17;
/// The number's three sections, as some write it with something between them: maker, description, indicator (ISO 3779).
const SECTIONS: [usize; 3] = [3, 6, 8];
/// Groups that papers print a number in, at most.
const GROUPS_MAX: usize = 6;
/// Trailing digits that a number has at least. ISO 3779 asks for four; makers of few cars are not always that strict.
const DIGITS_AT_THE_END: usize = 2;

/// The text with every vehicle identification number replaced by [`REMOVED`].
///
/// A number is a word of 17 digits and letters of one case, without I, O and Q (ISO 3779), that ends in digits and is no time
/// stamp; or the same in its three sections, or in the groups that papers print it in, in capitals, parted by spaces, hyphens or dots. A check digit is not asked for:
/// European numbers have none. Digests, run names and ordinary words are other lengths or have other letters. A word that
/// only looks like a number goes too: better one too many.
pub fn without_vehicle_numbers(text: &str) -> Cow<'_, str> {
    let words = words(text);
    let mut found = Vec::new();
    let mut at = 0;
    while at < words.len() {
        let end = if is_number(&text[words[at].0..words[at].1]) { Some(at) } else { in_groups(text, &words[at..], at) };
        if let Some(last) = end {
            found.push((words[at].0, words[last].1));
        }
        at = end.unwrap_or(at) + 1;
    }
    if found.is_empty() {
        return Cow::Borrowed(text);
    }
    let mut left = String::with_capacity(text.len());
    let mut from = 0;
    for (start, end) in found {
        left.push_str(&text[from..start]);
        left.push_str(REMOVED);
        from = end;
    }
    left.push_str(&text[from..]);
    Cow::Owned(left)
}

/// Where each run of letters and digits begins and ends.
fn words(text: &str) -> Vec<(usize, usize)> {
    let mut words: Vec<(usize, usize)> = Vec::new();
    for (at, char) in text.char_indices().filter(|(_, char)| char.is_alphanumeric()) {
        let end = at + char.len_utf8();
        match words.last_mut() {
            Some(word) if word.1 == at => word.1 = end,
            _ => words.push((at, end)),
        }
    }
    words
}

fn is_number(word: &str) -> bool {
    let of_the_alphabet = |byte: u8| byte.is_ascii_alphanumeric() && !b"IOQ".contains(&byte.to_ascii_uppercase());
    let one_case =
        !(word.bytes().any(|byte| byte.is_ascii_lowercase()) && word.bytes().any(|b| b.is_ascii_uppercase()));
    let digits_at_the_end = word.bytes().rev().take_while(u8::is_ascii_digit).count();
    word.len() == LENGTH
        && word.bytes().all(of_the_alphabet)
        && one_case
        && (DIGITS_AT_THE_END..LENGTH).contains(&digits_at_the_end)
        && !is_time_stamp(word)
}

/// `20270314T06150212`: digits with one `T` after the day.
fn is_time_stamp(word: &str) -> bool {
    word.bytes().enumerate().all(|(at, byte)| if at == 8 { byte == b'T' } else { byte.is_ascii_digit() })
}

/// The place of the last of several words that are a number in groups, the first of them at `first`: in its three sections, or in
/// groups as papers print it, the first of three characters and the last of six digits.
fn in_groups(text: &str, words: &[(usize, usize)], first: usize) -> Option<usize> {
    let parted = |pair: &[(usize, usize)]| matches!(&text[pair[0].1..pair[1].0], " " | "-" | ".");
    let count = 1 + words.windows(2).take_while(|pair| parted(pair)).count();
    (3..=count.min(GROUPS_MAX)).find_map(|count| {
        let groups: Vec<&str> = words.get(..count)?.iter().map(|(start, end)| &text[*start..*end]).collect();
        let whole = groups.concat();
        let in_sections = count == 3 && groups.iter().zip(SECTIONS).all(|(group, length)| group.len() == length);
        let last = groups.last()?;
        let as_printed = groups[0].len() == 3 && last.len() == 6 && last.bytes().all(|byte| byte.is_ascii_digit());
        let in_capitals = !whole.bytes().any(|byte| byte.is_ascii_lowercase());
        ((in_sections || as_printed) && in_capitals && is_number(&whole)).then_some(first + count - 1)
    })
}

/// Paths from the root of a disk say whose computer it was: their last part is enough.
pub fn without_folders(text: &str) -> String {
    let cut = |word: &str| {
        let bare = word.trim_start_matches(['(', '\'', '"', '`']);
        let before = &word[..word.len() - bare.len()];
        let is_path = bare.starts_with('/') || bare.starts_with("~/") || bare.get(1..3) == Some(":\\");
        match bare.rsplit(['/', '\\']).next().filter(|_| is_path) {
            Some(last) => format!("{before}{last}"),
            None => word.to_owned(),
        }
    };
    text.split(' ').map(cut).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_go_wherever_they_stand() {
        // Made up; the makers' codes are none that are given out, as far as known.
        for (text, left) in [
            ("ZZ9HERN27RA000042", "(vehicle number removed)"),
            ("car ZZ9HERN27RA000042, dry", "car (vehicle number removed), dry"),
            ("vin:zz9hern27ra000042.", "vin:(vehicle number removed)."),
            ("heron_ZZ9HERN27RA000042.log", "heron_(vehicle number removed).log"),
            ("ZZ9 HERN27 RA000042", "(vehicle number removed)"),
            ("VIN ZZ9 HER N27 RA 000042, dry", "VIN (vehicle number removed), dry"),
            ("ZZ9-HERN27-RA000042 and 99ZAAAAAAAAA00123", "(vehicle number removed) and (vehicle number removed)"),
            ("é ZZ9HERN27RA000042 é", "é (vehicle number removed) é"),
        ] {
            assert_eq!(without_vehicle_numbers(text), left);
        }
    }

    #[test]
    fn what_is_no_number_stays() {
        for text in [
            "",
            "Understandably the wind blew; 16.9 kWh, 1,234,567 frames",
            "run=20270314T061502Z and run=20270314T061502Z-2",
            "20270314T06150212",
            "20270314061502123",
            "3f9a-1c02-77de-0b1e",
            // The SHA-256 of nothing (FIPS 180-4).
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            // A letter I, O or Q; another length; both cases; no digit at the end; letters that are no ASCII.
            "ZZ9HERI27RA000042",
            "ZZ9HERN27RA00004",
            "ZZ9HERN27RA0000421",
            "PackVoltage202742",
            "THERESTANDSTEXTED",
            "ÄZ9HERN27RA000042",
            "225/55 R18 98V 2.5 bar",
            "TWO PEOPLE 20270314",
        ] {
            assert!(matches!(without_vehicle_numbers(text), Cow::Borrowed(same) if same == text), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn a_number_never_comes_through(
            before in "[ -/:-@]{0,8}", number in "[A-HJ-NPR-Z]{3}[A-HJ-NPR-Z0-9]{10}[0-9]{4}", after in "([^0-9A-Za-z]\\PC{0,20})?"
        ) {
            proptest::prop_assume!(!after.starts_with(char::is_alphanumeric));
            let text = format!("{before}{number}{after}");
            let left = without_vehicle_numbers(&text);
            proptest::prop_assert!(!left.contains(&number), "{}", left);
            proptest::prop_assert!(left.starts_with(&format!("{before}{REMOVED}")), "{}", left);
        }

        #[test]
        fn ordinary_text_is_kept_to_the_byte(text in "[a-z ,.éß]{0,60}") {
            proptest::prop_assert_eq!(&*without_vehicle_numbers(&text), &*text);
        }
    }
}
