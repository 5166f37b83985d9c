//! Messages and tables of the TOML form to drafts; polls are beside it in `polls`.
//!
//! Checks what concerns one key or one message's own head (identifiers, services, time columns); what concerns signals
//! and several messages is checked with the DBC's in `check`.
//!
//! Checks nothing beyond what it needs to read a value.

use toml::Spanned;

use super::checked::{ByteOrder, CsvTable, Origin, RawKind, Sent, TimeFormat};
use super::draft::{DraftMessage, DraftSignal, DraftSwitch};
use super::findings::{At, File, Findings};
use super::written::{
    ColumnForm, FormatForm, MapForm, MessageForm, OrderForm, SentForm, SignalForm, TableForm, TimeForm, TypeForm,
    WhenForm,
};
use crate::document::Document;
use crate::observation::CanId;
use crate::time::WallClock;

/// Turns forms into drafts and tells what is wrong with them.
pub(super) struct Reader<'a> {
    pub document: &'a Document,
    pub findings: &'a mut Findings,
}

impl Reader<'_> {
    /// Every message, poll and table, in that order.
    pub fn messages(&mut self, form: &MapForm) -> Vec<DraftMessage> {
        let mut drafts = Vec::new();
        for written in &form.message {
            let draft = self.message(written);
            self.keep(&mut drafts, draft, written.get_ref().name.as_ref());
        }
        for written in &form.poll {
            let draft = self.poll(written);
            self.keep(&mut drafts, draft, written.get_ref().name.as_ref());
        }
        for written in &form.table {
            let draft = self.table(written);
            self.keep(&mut drafts, draft, written.get_ref().name.as_ref());
        }
        drafts
    }

    /// Keeps a draft, or remembers the name of what is left out, so that a role that wants it is told why.
    fn keep(&mut self, drafts: &mut Vec<DraftMessage>, draft: Option<DraftMessage>, name: Option<&Spanned<String>>) {
        match (draft, name) {
            (Some(draft), _) => drafts.push(draft),
            (None, Some(name)) => self.findings.leave_out(name.get_ref()),
            (None, None) => {}
        }
    }

    /// The line of a span.
    pub fn at<T>(&self, spanned: &Spanned<T>) -> At {
        At { file: File::Map, line: self.document.line_of(spanned.span().start) }
    }

    fn message(&mut self, form: &Spanned<MessageForm>) -> Option<DraftMessage> {
        let (at, form) = (self.at(form), form.get_ref());
        let name = self.name(at, "message", form.name.as_ref());
        let id = self.can_id(at, "id", form.id.as_ref(), form.extended);
        let length = self.message_length(at, form.length.as_ref());
        let name = name?;
        let signals = self.signals(&name, &form.signal);
        let origin = Origin::Frame { bus: form.bus.clone(), id: id?, length: length? };
        Some(DraftMessage { at, name, origin, sent: sent(form.sent), signals })
    }

    fn message_length(&mut self, at: At, length: Option<&Spanned<u64>>) -> Option<u8> {
        match length {
            Some(length) if *length.get_ref() <= 64 => Some(*length.get_ref() as u8),
            Some(length) => {
                let at = self.at(length);
                self.findings.error(
                    at,
                    format!("a frame of {} bytes", length.get_ref()),
                    "a frame holds 0 to 64 bytes",
                );
                None
            }
            None => {
                self.findings.missing(at, "a message without a length", "add length = 8, or as many bytes as it holds");
                None
            }
        }
    }

    fn table(&mut self, form: &Spanned<TableForm>) -> Option<DraftMessage> {
        let (at, form) = (self.at(form), form.get_ref());
        let name = self.name(at, "table", form.name.as_ref());
        let delimiter = match &form.delimiter {
            None => Some(b','),
            Some(written) => match written.get_ref().as_bytes() {
                [one] if one.is_ascii() && !one.is_ascii_alphanumeric() && !b"\r\n\".".contains(one) => Some(*one),
                _ => {
                    let at = self.at(written);
                    self.findings.error(
                        at,
                        format!("delimiter '{}'", written.get_ref()),
                        "write one sign such as \";\"",
                    );
                    None
                }
            },
        };
        let delimiter = if delimiter == Some(b',') && form.decimal_comma {
            self.findings.error(at, "both the delimiter and the decimals are a comma", "add delimiter = \";\"");
            None
        } else {
            delimiter
        };
        let time = self.time(at, form.time.as_ref());
        let name = name?;
        let mut columns = Vec::new();
        let mut signals = Vec::new();
        for column in &form.signal {
            if let Some((header, signal)) = self.column(&name, column) {
                columns.push(header);
                signals.push(signal);
            }
        }
        let (time_column, time_format) = time?;
        let table =
            CsvTable { time_column, time_format, columns, delimiter: delimiter?, decimal_comma: form.decimal_comma };
        Some(DraftMessage { at, name, origin: Origin::Table(table), sent: Sent::Cyclic, signals })
    }

    fn time(&mut self, at: At, form: Option<&Spanned<TimeForm>>) -> Option<(String, TimeFormat)> {
        let Some((form_at, form)) = form.map(|form| (self.at(form), form.get_ref())) else {
            let remedy = "add time = { column = \"...\", format = \"seconds\" } or format = \"iso8601\"";
            self.findings.missing(at, "a table without a time column", remedy);
            return None;
        };
        let start = match &form.start {
            None => WallClock(0),
            Some(written) => WallClock::parse_iso(written.get_ref()).or_else(|| {
                let at = self.at(written);
                let remedy = "write it like 2027-03-14T06:15:02Z";
                self.findings.error(at, format!("'{}' is not a moment", written.get_ref()), remedy);
                None
            })?,
        };
        let Some(column) = form.column.clone() else {
            self.findings.missing(form_at, "a time without its column", "add column = \"...\", the column's header");
            return None;
        };
        match form.format {
            None => {
                self.findings.missing(form_at, "a time without its format", "add format = \"seconds\" or \"iso8601\"");
                None
            }
            Some(FormatForm::Seconds) => Some((column, TimeFormat::Seconds { start })),
            Some(FormatForm::Iso8601) => {
                if form.start.is_some() {
                    self.findings.warn(form_at, "a start beside ISO 8601 times means nothing", "remove it");
                }
                Some((column, TimeFormat::Iso8601))
            }
        }
    }

    fn column(&mut self, table: &str, form: &Spanned<ColumnForm>) -> Option<(String, DraftSignal)> {
        let (at, form) = (self.at(form), form.get_ref());
        let name = self.name(at, &format!("signal of table {table}"), form.name.as_ref())?;
        let header = form.column.clone().unwrap_or_else(|| name.clone());
        let signal = DraftSignal {
            at,
            name,
            start: 0,
            length: 64,
            order: ByteOrder::LittleEndian,
            raw: RawKind::Float64,
            scale: form.scale.unwrap_or(1.0),
            offset: form.offset.unwrap_or(0.0),
            unit: form.unit.clone().unwrap_or_default(),
            meaning: form.meaning.clone().unwrap_or_default(),
            range: form.range.map(|[low, high]| (low, high)),
            not_available: Vec::new(),
            values: Vec::new(),
            switch: None,
        };
        Some((header, signal))
    }

    pub(super) fn signals(&mut self, message: &str, forms: &[Spanned<SignalForm>]) -> Vec<DraftSignal> {
        forms.iter().filter_map(|form| self.signal(message, form)).collect()
    }

    fn signal(&mut self, message: &str, form: &Spanned<SignalForm>) -> Option<DraftSignal> {
        let (at, form) = (self.at(form), form.get_ref());
        let name = self.name(at, &format!("signal of {message}"), form.name.as_ref());
        let (Some(start), Some(length)) = (&form.start, &form.length) else {
            let called = form.name.as_ref().map_or("", |name| name.get_ref());
            let remedy = "add start and length, bits numbered as in DBC";
            self.findings.missing(at, format!("signal {called} does not say where its bits lie"), remedy);
            return None;
        };
        let switch = self.switch(at, form)?;
        Some(DraftSignal {
            at,
            name: name?,
            start: *start.get_ref(),
            length: *length.get_ref(),
            order: match form.byte_order {
                None | Some(OrderForm::Little) => ByteOrder::LittleEndian,
                Some(OrderForm::Big) => ByteOrder::BigEndian,
            },
            raw: match form.r#type {
                None | Some(TypeForm::Unsigned) => RawKind::Unsigned,
                Some(TypeForm::Signed) => RawKind::Signed,
                Some(TypeForm::Float32) => RawKind::Float32,
                Some(TypeForm::Float64) => RawKind::Float64,
            },
            scale: form.scale.unwrap_or(1.0),
            offset: form.offset.unwrap_or(0.0),
            unit: form.unit.clone().unwrap_or_default(),
            meaning: form.meaning.clone().unwrap_or_default(),
            range: form.range.map(|[low, high]| (low, high)),
            not_available: form.not_available.clone(),
            values: self.value_names(form),
            switch,
        })
    }

    fn value_names(&mut self, form: &SignalForm) -> Vec<(i64, String)> {
        let mut values = Vec::new();
        for (key, name) in &form.values {
            match key.get_ref().parse() {
                Ok(raw) => values.push((raw, name.clone())),
                Err(_) => {
                    let at = self.at(key);
                    let what = format!("'{}' is not a raw value", key.get_ref());
                    self.findings.error(at, what, "write values = { \"0\" = \"off\", \"1\" = \"on\" }");
                }
            }
        }
        values.sort();
        values
    }

    /// `None` where the signal cannot be used; `Some(None)` where it has no switch.
    fn switch(&mut self, at: At, form: &SignalForm) -> Option<Option<DraftSwitch>> {
        match (&form.switch, &form.when) {
            (None, None) => Some(None),
            (Some(name), Some(when)) => {
                let when_at = self.at(when);
                let mut values = Vec::new();
                for one in when.get_ref() {
                    let range = match one {
                        WhenForm::One(raw) => Some(*raw..=*raw),
                        WhenForm::Span(text) => parse_span(text),
                    };
                    let Some(range) = range else {
                        let remedy = "write when = [1, \"4-7\"], the smaller value first";
                        self.findings.error(when_at, "a value of the switch that can't be read", remedy);
                        return None;
                    };
                    values.push(range);
                }
                Some(Some(DraftSwitch { name: name.get_ref().clone(), values }))
            }
            (Some(_), None) => {
                self.findings.missing(at, "a switch without its values", "add when = [1], the switch's raw values");
                None
            }
            (None, Some(_)) => {
                self.findings.missing(
                    at,
                    "values of a switch without the switch",
                    "add switch = \"...\", a signal's name",
                );
                None
            }
        }
    }

    pub(super) fn name(&mut self, at: At, kind: &str, name: Option<&Spanned<String>>) -> Option<String> {
        if name.is_none() {
            self.findings.missing(at, format!("a {kind} without a name"), "add name = \"...\"");
        }
        name.map(|name| name.get_ref().clone())
    }

    pub(super) fn can_id(&mut self, at: At, key: &str, id: Option<&Spanned<u64>>, extended: bool) -> Option<CanId> {
        let Some(written) = id else {
            self.findings.missing(at, format!("no {key}"), format!("add {key} = 0x..., the identifier"));
            return None;
        };
        match *written.get_ref() {
            id @ 0..=0x7FF if !extended => Some(CanId::Standard(id as u16)),
            id @ 0..=0x1FFF_FFFF if extended => Some(CanId::Extended(id as u32)),
            id => {
                let at = self.at(written);
                let (bits, remedy) = if extended {
                    (29, "29 bits hold up to 0x1FFFFFFF")
                } else {
                    (11, "11 bits hold up to 0x7FF; for 29 bits add extended = true")
                };
                self.findings.error(at, format!("{key} {id:#X} does not fit {bits} bits"), remedy);
                None
            }
        }
    }
}

/// Whether silence means anything; cyclic where nothing is said.
pub(super) fn sent(form: Option<SentForm>) -> Sent {
    match form {
        None | Some(SentForm::Cyclic) => Sent::Cyclic,
        Some(SentForm::OnChange) => Sent::OnChange,
    }
}

/// `4-7`, or a single number, decimal or with `0x`.
fn parse_span(text: &str) -> Option<std::ops::RangeInclusive<u64>> {
    let number = |text: &str| match text.trim().strip_prefix("0x") {
        Some(hex) => u64::from_str_radix(hex, 16).ok(),
        None => text.trim().parse().ok(),
    };
    let (low, high) = match text.split_once('-') {
        Some((low, high)) => (number(low)?, number(high)?),
        None => (number(text)?, number(text)?),
    };
    (low <= high).then_some(low..=high)
}
