//! What may be sent to an adapter, written a second time and not from the program's own list.
//!
//! Judges text alone, not whose turn it was.

/// What may be sent to an adapter: settings and questions, identifiers of the standard, requests that read (J1979 services
/// 01, 02, 03, 07, 09, 0A; ISO 14229 service 22).
pub fn is_listed(text: &str) -> bool {
    let settings = "ATZ ATWS ATD ATE0 ATL0 ATS0 ATS1 ATH0 ATH1 ATCAF0 ATCAF1 ATCFC1 ATAL ATAT0 ATAT1 ATAT2 ATAR ATCP18 \
                    ATCSM1 ATMA ATI ATRV ATDPN ATPC ATSP6 ATSP7 ATSP8 ATSP9";
    let hex = |digits: &str| digits.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'A'..=b'F'));
    if settings.split_whitespace().any(|setting| setting == text) {
        return true;
    }
    if let Some(wait) = text.strip_prefix("ATST") {
        return wait.len() == 2 && hex(wait);
    }
    if let Some(header) = text.strip_prefix("ATSH") {
        let physical =
            header.len() == 3 && header.starts_with("7E") && header.ends_with(|last| ('0'..='7').contains(&last));
        let wide = header.len() == 6 && hex(header) && header.starts_with("DA") && header.ends_with("F1");
        return header == "7DF" || header == "DB33F1" || physical || wide;
    }
    if let Some(filter) = text.strip_prefix("ATCRA") {
        return matches!(filter.len(), 3 | 8) && hex(filter);
    }
    let length = match text.get(..2) {
        Some("01" | "09") => text.len() == 4,
        Some("02") => text.len() == 6,
        Some("03" | "07" | "0A") => text.len() == 2,
        Some("22") => matches!(text.len(), 6 | 10 | 14),
        _ => false,
    };
    length && hex(text)
}
