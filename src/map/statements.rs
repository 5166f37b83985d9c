//! The text of a DBC cut into statements, each with its line.
//!
//! Knows where a statement ends, not what it says.

use std::iter::Peekable;
use std::str::Lines;

/// One statement, or a line that begins none.
#[derive(Debug, PartialEq)]
pub(super) struct Statement {
    /// Its first line, counted from 1.
    pub line: u64,
    /// Its first word.
    pub keyword: String,
    /// Its text on one line; line ends inside quotes are kept. Of a message, the head alone.
    pub text: String,
    /// Of a message: its SG_ lines.
    pub signals: Vec<(u64, String)>,
}

/// Statements that end with a semicolon.
const ENDED: [&str; 28] = [
    "CM_",
    "VAL_",
    "VAL_TABLE_",
    "BA_",
    "BA_DEF_",
    "BA_DEF_DEF_",
    "BA_REL_",
    "BA_DEF_REL_",
    "BA_DEF_DEF_REL_",
    "SIG_VALTYPE_",
    "SG_MUL_VAL_",
    "SIG_GROUP_",
    "BO_TX_BU_",
    "EV_",
    "EV_DATA_",
    "ENVVAR_DATA_",
    "SGTYPE_",
    "SGTYPE_VAL_",
    "SIGTYPE_VALTYPE_",
    "SIG_TYPE_REF_",
    "BA_SGTYPE_",
    "BA_DEF_SGTYPE_",
    "CAT_",
    "CAT_DEF_",
    "FILTER",
    "BU_SG_REL_",
    "BU_EV_REL_",
    "BU_BO_REL_",
];
/// Those of them that this program reads.
const READ: [&str; 7] = ["CM_", "VAL_", "BA_", "BA_DEF_", "BA_DEF_DEF_", "SIG_VALTYPE_", "SG_MUL_VAL_"];
/// Sections of one line, or of indented lines below it.
const SECTIONS: [&str; 5] = ["VERSION", "NS_", "NS_DESC_", "BS_", "BU_"];

/// Cuts a text; what the program does not read is left out.
pub(super) fn statements(text: &str) -> Vec<Statement> {
    let mut statements = Vec::new();
    let mut lines = Numbered { lines: text.lines().peekable(), line: 0 };
    while let Some((line, content)) = lines.next() {
        let keyword = first_word(content);
        if keyword.is_empty() || keyword.starts_with("//") {
            continue;
        }
        if keyword == "BO_" {
            let signals = signal_lines(&mut lines);
            statements.push(Statement { line, keyword: keyword.into(), text: content.trim().into(), signals });
        } else if SECTIONS.contains(&keyword) {
            // NS_ lists bare keywords; some editors don't indent them.
            let goes_on =
                |next: &str| next.starts_with([' ', '\t']) && first_word(next) != "SG_" || ENDED.contains(&next.trim());
            while lines.peek().is_some_and(goes_on) {
                lines.next();
            }
        } else if ENDED.contains(&keyword) {
            let text = ended(content, &mut lines);
            if READ.contains(&keyword) {
                statements.push(Statement { line, keyword: keyword.into(), text, signals: Vec::new() });
            }
        } else {
            let text = content.trim().into();
            statements.push(Statement { line, keyword: keyword.into(), text, signals: Vec::new() });
        }
    }
    statements
}

struct Numbered<'a> {
    lines: Peekable<Lines<'a>>,
    line: u64,
}

impl<'a> Numbered<'a> {
    fn next(&mut self) -> Option<(u64, &'a str)> {
        let content = self.lines.next()?;
        self.line += 1;
        Some((self.line, content))
    }

    fn peek(&mut self) -> Option<&'a str> {
        self.lines.peek().copied()
    }
}

/// The first word of a line, which a colon also ends.
fn first_word(line: &str) -> &str {
    let line = line.trim_start();
    let end = line.find(|sign: char| sign.is_whitespace() || sign == ':').unwrap_or(line.len());
    line.get(..end).unwrap_or_default()
}

fn signal_lines(lines: &mut Numbered<'_>) -> Vec<(u64, String)> {
    let mut signals = Vec::new();
    while let Some(next) = lines.peek() {
        let word = first_word(next);
        if word == "SG_" {
            let (line, content) = lines.next().unwrap_or_default();
            signals.push((line, content.trim().to_owned()));
        } else if word.is_empty() || word.starts_with("//") {
            lines.next();
        } else {
            break;
        }
    }
    signals
}

/// Reads on to the semicolon outside quotes; where it is missing, to the next line that begins a statement.
///
/// A quote that is never closed takes the rest of the file; then only the first line counts, and the rest is read again.
fn ended(first: &str, lines: &mut Numbered<'_>) -> String {
    let after_first = Numbered { lines: lines.lines.clone(), line: lines.line };
    let mut text = String::new();
    let mut quoted = false;
    let mut content = first;
    loop {
        if scan(content, &mut quoted, &mut text) {
            return text;
        }
        let begins_next = |next: &str| {
            let word = first_word(next);
            word == "BO_" || ENDED.contains(&word) || SECTIONS.contains(&word)
        };
        match lines.peek() {
            Some(next) if quoted || !begins_next(next) => {
                text.push(if quoted { '\n' } else { ' ' });
                content = lines.next().map_or("", |(_, content)| content);
            }
            Some(_) => return text,
            None if quoted => {
                *lines = after_first;
                return first.to_owned();
            }
            None => return text,
        }
    }
}

/// Appends a line up to and with the semicolon that ends the statement; whether there was one.
fn scan(content: &str, quoted: &mut bool, text: &mut String) -> bool {
    let mut escaped = false;
    for sign in content.chars() {
        text.push(sign);
        match sign {
            '"' if !escaped => *quoted = !*quoted,
            ';' if !*quoted => return true,
            _ => {}
        }
        escaped = *quoted && sign == '\\' && !escaped;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statements_have_their_lines() {
        let text = "VERSION \"\"\n\nNS_ :\n\tCM_\n\tBA_\n\nBO_ 1 A: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" X\n\n SG_ T : 8|8@1+ (1,0) [0|0] \"\" X\nCM_ SG_ 1 S \"two\nlines; and more\";\nVAL_ 1 S 0 \"a\"\n  1 \"b\" ;\nBO_ 2 B: 8 X\n";
        let found = statements(text);
        let heads: Vec<_> = found.iter().map(|one| (one.line, &*one.keyword, one.signals.len())).collect();
        assert_eq!(heads, [(7, "BO_", 2), (11, "CM_", 0), (13, "VAL_", 0), (15, "BO_", 0)]);
        assert_eq!(found[0].signals[1].0, 10);
        assert_eq!(found[1].text, "CM_ SG_ 1 S \"two\nlines; and more\";");
        assert_eq!(found[2].text, "VAL_ 1 S 0 \"a\"   1 \"b\" ;");
    }

    #[test]
    fn a_quote_that_is_never_closed_costs_one_line() {
        let found = statements("CM_ SG_ 1 S \"never closed;\nBO_ 1 A: 8 X\n");
        let heads: Vec<_> = found.iter().map(|one| (one.line, &*one.keyword)).collect();
        assert_eq!(heads, [(1, "CM_"), (2, "BO_")]);
    }
}
