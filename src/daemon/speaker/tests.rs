//! The speaker with commands of its own: what is spoken, what is dropped, and what a command that hangs or is missing costs.

use std::path::Path;

use super::*;

fn call(text: &str, alarm: bool) -> Call {
    Call { text: text.into(), alarm }
}

/// A shell line as a command: the list is the test's own, the speaker knows of no shell.
fn shell(line: String) -> Vec<String> {
    ["sh", "-c", &line].map(str::to_owned).into()
}

/// Waits until something is so.
fn wait_for(what: &str, is: impl Fn() -> bool) {
    let start = Instant::now();
    while !is() {
        assert!(start.elapsed() < Duration::from_secs(20), "{what} did not happen");
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_default()
}

#[test]
fn texts_go_to_the_commands_input_one_at_a_time_and_to_no_shell() {
    let folder = tempfile::tempdir().expect("a folder");
    let heard = folder.path().join("heard");
    // It would overlap if two were run at once: each writes when it begins and when it ends.
    let line = format!("echo begins >>{0}; cat >>{0}; sleep 0.05; echo ends >>{0}", heard.display());
    let speaker = Speaker::start(shell(line)).expect("a thread");
    let texts = ["Turn at $HOME in 2 kilometres; `reboot`.", "Go to the charger now: Quaymoor, 12 kilometres."];
    texts.iter().for_each(|text| speaker.say(call(text, false)));
    wait_for("speech", || read(&heard).matches("ends").count() == 2);
    let expected: String = texts.iter().map(|text| format!("begins\n{text}\nends\n")).collect();
    assert_eq!(read(&heard), expected);
}

#[test]
fn where_there_is_no_room_the_oldest_that_can_wait_goes() {
    let mut waiting = Waiting::default();
    let now = Instant::now();
    for number in 0..WAITING_MAX + 2 {
        waiting.push(now, call(&number.to_string(), false));
    }
    waiting.push(now, call("alarm", true));
    waiting.push(now, call("alarm", true));
    waiting.push(now, call("another", true));
    let left = |waiting: &Waiting| waiting.calls.iter().map(|(_, call)| call.text.clone()).collect::<Vec<_>>();
    assert_eq!(left(&waiting), ["alarm", "another", "4", "5", "6", "7"]);
    for number in 0..WAITING_MAX {
        waiting.push(now, call(&format!("alarm {number}"), true));
    }
    assert_eq!(left(&waiting), (0..WAITING_MAX).map(|number| format!("alarm {number}")).collect::<Vec<_>>());
    // What can wait goes stale, an alarm does not.
    let mut waiting = Waiting::default();
    waiting.push(now, call("turn", false));
    waiting.push(now, call("alarm", true));
    let later = now + FRESH;
    assert_eq!((waiting.take(later), waiting.take(later)), (Some(call("alarm", true)), None));
}

#[test]
fn a_command_that_hangs_is_ended_with_all_that_it_started_and_the_next_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let (heard, left) = (folder.path().join("heard"), folder.path().join("left"));
    let line = format!(
        "read text; if [ \"$text\" = hang ]; then (sleep 1; echo alive >{}) & wait; fi; echo $text >>{}",
        left.display(),
        heard.display()
    );
    let shared = Arc::new(Shared::default());
    let voice = Voice { shared, command: shell(line), said: None, patience: Duration::from_millis(300) };
    let began = Instant::now();
    let wrong = voice.speak("hang").expect_err("it hangs");
    assert!(wrong.ends_with("it had not ended after 0 s and was ended"), "{wrong}");
    assert!(began.elapsed() < Duration::from_secs(5));
    let patient = Voice { patience: PATIENCE, ..voice };
    assert_eq!(patient.speak("well"), Ok(()));
    std::thread::sleep(Duration::from_millis(1_200));
    assert_eq!((read(&heard), left.exists()), ("well\n".into(), false));
}

#[test]
fn a_command_that_is_missing_or_fails_is_named_and_holds_nothing_up() {
    let voice = |command| Voice { shared: Arc::default(), command, said: None, patience: PATIENCE };
    let missing = voice(vec!["/nowhere/speak".into()]).speak("hello").expect_err("it is missing");
    let expected =
        "speech command '/nowhere/speak': there is no such program; install it or name another under [speech]";
    assert_eq!(missing, expected);
    let fails = voice(shell("exit 3".into())).speak("hello").expect_err("it fails");
    assert_eq!(fails, "speech command 'sh': it ended with exit status: 3");
    let speaker = Speaker::start(shell("sleep 30".into())).expect("a thread");
    let began = Instant::now();
    for number in 0..100 {
        speaker.say(call(&number.to_string(), number % 2 == 0));
    }
    assert!(began.elapsed() < Duration::from_secs(1), "whoever speaks waits for nothing");
    std::thread::sleep(Duration::from_millis(100));
    drop(speaker);
    assert!(began.elapsed() < Duration::from_secs(5), "a stop ends what is being said");
}

#[test]
fn speech_comes_out_of_a_speech_program() {
    let there = std::process::Command::new("espeak-ng").arg("--version").output();
    if there.is_err() {
        eprintln!("not tried: there is no espeak-ng here; `bash tests/run` installs it");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let (sound, done) = (folder.path().join("sound.wav"), folder.path().join("done"));
    let line = format!("espeak-ng --stdout >{}; touch {}", sound.display(), done.display());
    let speaker = Speaker::start(shell(line)).expect("a thread");
    speaker.say(call("Turn at Underfell in 2 kilometres, the last place to turn that is safe.", false));
    wait_for("speech", || done.exists());
    let bytes = std::fs::read(&sound).expect("sound");
    // RIFF/WAVE (Microsoft and IBM, Multimedia Programming Interface 1.0): 16 bit samples from byte 44 on.
    assert_eq!((&bytes[..4], &bytes[8..12]), (&b"RIFF"[..], &b"WAVE"[..]));
    let rate = u32::from_le_bytes([bytes[24], bytes[25], bytes[26], bytes[27]]);
    let samples: Vec<i16> = bytes[44..].chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect();
    let seconds = samples.len() as f64 / f64::from(rate);
    let loud = samples.iter().filter(|sample| sample.unsigned_abs() > 1_000).count();
    assert!((2.0..12.0).contains(&seconds), "{seconds} s");
    assert!(loud as f64 > 0.1 * samples.len() as f64, "{loud} of {}", samples.len());
}
