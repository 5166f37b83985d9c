//! Fuzz target: A DBC's text, under a map that names a role of it. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let dbc = String::from_utf8_lossy(data).into_owned();
    let map = "dbc = 'x.dbc'\n[roles.speed]\nsignal = 'M.S'\n";
    let _ = drawdown::map::from_text("map.toml", map, Some(("x.dbc".to_owned(), dbc)));
});
