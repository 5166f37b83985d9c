//! A board as the rows of a terminal, cut to its size: what must be done first, then what is wrong, then all else in the board's
//! own order.
//!
//! Texts in, texts out: knows no terminal, and says nothing that the board does not.

use crate::live::Board;
use crate::live::board::{Line, Tone};

/// How a row is shown.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Style {
    /// As it is.
    Plain,
    /// Bold.
    Bold,
    /// Reverse and bold.
    Loud,
}

/// A row of the screen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Row {
    /// Its text, no wider than the screen.
    pub text: String,
    /// How it is shown.
    pub style: Style,
}

/// Columns of a line's label.
const LABEL: usize = 22;
/// Alarms shown at once.
const ALARMS_MAX: usize = 4;

fn row(style: Style, text: &str, columns: usize) -> Row {
    Row { text: cut(text, columns), style }
}

/// A text cut to a width, with a mark where something is gone; control characters are none of ours to pass on.
fn cut(text: &str, columns: usize) -> String {
    let plain = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    if text.chars().count() <= columns {
        return plain.collect();
    }
    plain.take(columns.saturating_sub(1)).chain(['…']).collect()
}

/// The rows of a screen of so many columns and rows.
pub fn rows(board: &Board, columns: usize, rows: usize) -> Vec<Row> {
    let invented = if board.rehearsal { "   REHEARSAL, an invented car" } else { "" };
    let mut all = vec![row(Style::Bold, &format!("{}   {}{invented}", board.vehicle, board.utc), columns)];
    if let Some(loud) = &board.loud {
        all.push(row(Style::Loud, &format!(" {} ", loud.what), columns));
        all.push(row(Style::Bold, &loud.why, columns));
    }
    for alarm in board.alarms.iter().take(ALARMS_MAX) {
        let style = if alarm.acknowledged { Style::Plain } else { Style::Loud };
        let seen = if alarm.acknowledged { "(seen) " } else { "" };
        all.push(row(style, &format!(" {seen}{} [{}] ", alarm.text, alarm.since), columns));
    }
    let wrong: Vec<&str> = board.ready.iter().filter(|check| !check.go).map(|check| &*check.name).collect();
    if !wrong.is_empty() && !is_driving(board) {
        all.push(row(Style::Bold, &format!("no-go: {}; `drawdown ready` tells more", wrong.join(", ")), columns));
    }
    let room = rows.saturating_sub(all.len() + 1);
    let shown = if board.lines.len() > room { room.saturating_sub(1) } else { board.lines.len() };
    all.extend(board.lines.iter().take(shown).map(|line| of_a_line(line, columns)));
    if shown < board.lines.len() {
        all.push(row(
            Style::Plain,
            &format!("and {} more: make the window taller", board.lines.len() - shown),
            columns,
        ));
    }
    all.push(row(Style::Plain, "q ends. The driver drives; a passenger works the computer.", columns));
    all.truncate(rows);
    all
}

/// Whether the car moves: then it is too late for a check.
fn is_driving(board: &Board) -> bool {
    board.line("speed").and_then(|line| line.value.as_deref()).is_some_and(|speed| !speed.starts_with("0 "))
}

fn of_a_line(line: &Line, columns: usize) -> Row {
    let value = line.value.as_deref().unwrap_or("not known");
    let beside = if line.beside.is_empty() { String::new() } else { format!("   {}", line.beside) };
    let (mark, style) = match line.tone {
        Tone::Plain => (' ', Style::Plain),
        Tone::Heed => ('*', Style::Plain),
        Tone::Wrong => ('!', Style::Bold),
    };
    row(style, &format!("{mark}{:LABEL$}{value}{beside}", line.label), columns)
}

/// The rows where nothing is known.
pub fn nothing(why: &str, columns: usize) -> Vec<Row> {
    let wrapped = crate::format::wrap("", why, 0);
    let mut all = vec![row(Style::Loud, " nothing is known now ", columns)];
    all.extend(wrapped.lines().map(|line| row(Style::Plain, line, columns)));
    all.push(row(Style::Plain, "q ends.", columns));
    all
}

/// One line: the moment, what must be done or is wrong, then the first lines of the board that have a value.
pub fn line(board: &Board) -> String {
    const LINES: usize = 4;
    let time = board.utc.split('T').nth(1).unwrap_or(&board.utc);
    let mut parts = vec![time.to_owned()];
    parts.extend(board.loud.iter().map(|loud| loud.what.to_uppercase()));
    let unseen = board.alarms.iter().find(|alarm| !alarm.acknowledged);
    parts.extend(unseen.map(|alarm| format!("ALARM {}", alarm.text)));
    let known = board.lines.iter().filter_map(|line| Some((&line.label, line.value.as_ref()?))).take(LINES);
    parts.extend(known.map(|(label, value)| format!("{label} {value}")));
    cut(&parts.join(" | "), 400)
}

#[cfg(test)]
mod tests;
