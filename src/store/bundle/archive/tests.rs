//! Archives that are whole, and archives that someone made to do harm: headers by the `tar` crate, some of their bytes by hand
//! (POSIX.1-2008, pax, ustar interchange format).

use std::io::Cursor;

use proptest::prelude::*;

use super::*;

fn folder_with(files: &[(&str, &[u8])]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    folder
}

fn packed(folder: &Path) -> Vec<u8> {
    let mut bytes = Vec::new();
    pack(&files(folder).unwrap(), "top", &mut bytes).unwrap();
    bytes
}

/// What unpacking gives, and how many files it left in its folder.
fn unpacked(bytes: &[u8], limits: Limits) -> (Result<Vec<String>, Unfit>, usize) {
    let outer = tempfile::tempdir().unwrap();
    let folder = outer.path().join("inside");
    std::fs::create_dir(&folder).unwrap();
    let names = unpack(Cursor::new(bytes), &folder, limits);
    let left = files(&folder).unwrap().len();
    let beside: Vec<_> = parts::entries(outer.path()).unwrap();
    assert_eq!(beside, [folder], "nothing was written outside");
    (names, left)
}

/// A tar of headers made by hand, in zstd.
fn by_hand(entries: &[(&[u8], EntryType, u64, &[u8])]) -> Vec<u8> {
    let mut tar = Vec::new();
    for (name, kind, size, content) in entries {
        let mut header = Header::new_ustar();
        header.as_mut_bytes()[..name.len()].copy_from_slice(name);
        header.set_entry_type(*kind);
        header.set_size(*size);
        header.set_mode(0o4777);
        if kind.is_symlink() || kind.is_hard_link() {
            header.set_link_name_literal("/etc/passwd").unwrap();
        }
        header.set_cksum();
        tar.extend_from_slice(header.as_bytes());
        tar.extend_from_slice(content);
        tar.resize(tar.len().next_multiple_of(512), 0);
    }
    tar.resize(tar.len() + 1_024, 0);
    zstd::encode_all(&tar[..], 3).unwrap()
}

#[test]
fn what_is_packed_comes_out_and_the_bytes_are_the_same() {
    let content: [(&str, &[u8]); 4] =
        [("b/deep/x.bin", b"\0\x01"), ("a.txt", b"hello"), ("b/a b.toml", b""), ("c/\u{e4}.txt", b"umlaut")];
    let (one, other) = (folder_with(&content), folder_with(&content.iter().rev().copied().collect::<Vec<_>>()));
    let bytes = packed(one.path());
    assert_eq!(bytes, packed(other.path()), "neither time nor order nor folder enters");
    let out = tempfile::tempdir().unwrap();
    let names = unpack(&bytes[..], out.path(), Limits::default()).unwrap();
    assert_eq!(names, ["a.txt", "b/a b.toml", "b/deep/x.bin", "c/\u{e4}.txt"]);
    for (name, content) in content {
        assert_eq!(std::fs::read(out.path().join(name)).unwrap(), content);
    }
    // Every cut says so.
    for at in [0, 1, bytes.len() / 2, bytes.len() - 1] {
        assert!(unpacked(&bytes[..at], Limits::default()).0.is_err(), "{at}");
    }
}

#[test]
fn a_hostile_archive_does_no_harm() {
    use EntryType as Kind;
    let one = |name: &[u8], kind, size, content: &[u8]| by_hand(&[(name, kind, size, content)]);
    let hostile = [
        ("absolute", one(b"/top/x", Kind::Regular, 1, b"x")),
        ("up", one(b"top/../../x", Kind::Regular, 1, b"x")),
        ("up at the end", one(b"top/..", Kind::Directory, 0, b"")),
        ("here", one(b"top/./x", Kind::Regular, 1, b"x")),
        ("no folder", one(b"x", Kind::Regular, 1, b"x")),
        ("empty part", one(b"top//x", Kind::Regular, 1, b"x")),
        ("backslash", one(b"top\\..\\x", Kind::Regular, 1, b"x")),
        ("drive", one(b"C:/x", Kind::Regular, 1, b"x")),
        ("control", one(b"top/\x1b[2Jx", Kind::Regular, 1, b"x")),
        ("no UTF-8", one(b"top/\xff", Kind::Regular, 1, b"x")),
        ("no name", one(b"", Kind::Regular, 1, b"x")),
        ("deep", one(b"t/a/b/c/d/e/f/g/h/i/j/k/l/m", Kind::Regular, 1, b"x")),
        ("symbolic link", one(b"top/x", Kind::Symlink, 0, b"")),
        ("hard link", one(b"top/x", Kind::Link, 0, b"")),
        ("character device", one(b"top/x", Kind::Char, 0, b"")),
        ("block device", one(b"top/x", Kind::Block, 0, b"")),
        ("pipe", one(b"top/x", Kind::Fifo, 0, b"")),
        ("long name", one(b"././@LongLink", Kind::GNULongName, 1 << 40, b"")),
        ("pax header", one(b"top/x", Kind::XHeader, 1 << 40, b"")),
        ("global pax header", one(b"top/x", Kind::XGlobalHeader, 1 << 40, b"")),
        ("sparse", one(b"top/x", Kind::GNUSparse, 1 << 40, b"")),
        ("folder with content", one(b"top/x", Kind::Directory, 512, &[0; 512])),
        ("absurd size", one(b"top/x", Kind::Regular, u64::MAX >> 8, b"x")),
        ("size that is not there", one(b"top/x", Kind::Regular, 5_000, b"x")),
        ("twice", by_hand(&[(b"top/x", Kind::Regular, 1, b"x"), (b"top/x", Kind::Regular, 1, b"y")])),
        ("twice by case", by_hand(&[(b"top/x", Kind::Regular, 1, b"x"), (b"top/X", Kind::Regular, 1, b"y")])),
        ("file as folder", by_hand(&[(b"top/x", Kind::Regular, 1, b"x"), (b"top/x/y", Kind::Regular, 1, b"y")])),
        ("folder as file", by_hand(&[(b"top/x/y", Kind::Regular, 1, b"x"), (b"top/x", Kind::Regular, 1, b"y")])),
        ("two tops", by_hand(&[(b"top/x", Kind::Regular, 1, b"x"), (b"other/x", Kind::Regular, 1, b"y")])),
        ("no zstd", b"not an archive".to_vec()),
        ("nothing", Vec::new()),
    ];
    for (what, bytes) in hostile {
        let (names, left) = unpacked(&bytes, Limits::default());
        let error = names.expect_err(what).to_string();
        assert!(!error.contains('\x1b') && error.len() < 400, "{what}: {error}");
        assert!(left <= 1, "{what}: {left} files");
    }
}

#[test]
fn sizes_are_bounded_before_they_are_written() {
    // A gigabyte of zeros in some kilobytes.
    let zeros = zstd::encode_all(std::io::repeat(0).take(1 << 30), 3).unwrap();
    assert!(zeros.len() < 1 << 20);
    let limits = Limits { files: 3, bytes: 10_000 };
    let mut header = Header::new_ustar();
    header.set_path("top/bomb").unwrap();
    header.set_size(1 << 30);
    header.set_cksum();
    let mut bomb = zstd::encode_all(&header.as_bytes()[..], 3).unwrap();
    // Frames of zstd follow each other as one stream.
    bomb.extend_from_slice(&zeros);
    assert!(matches!(unpacked(&bomb, limits), (Err(Unfit::TooLarge { .. }), 0)));
    // Zeros alone are the end of an archive, however many.
    assert_eq!(unpacked(&zeros, limits).0.unwrap(), Vec::<String>::new());
    let four = folder_with(&[("a", b"1"), ("b", b"2"), ("c", b"3"), ("d", b"4")]);
    assert!(matches!(unpacked(&packed(four.path()), limits), (Err(Unfit::TooLarge { .. }), 3)));
    let large = folder_with(&[("a", &[7; 6_000]), ("b", &[8; 6_000])]);
    assert!(matches!(unpacked(&packed(large.path()), limits), (Err(Unfit::TooLarge { .. }), 1)));
    // A window of 128 MB is refused before its memory is taken.
    let mut wide = Vec::new();
    let mut encoder = zstd::Encoder::new(&mut wide, 3).unwrap();
    encoder.window_log(27).unwrap();
    encoder.include_contentsize(false).unwrap();
    io::copy(&mut io::repeat(1).take(1 << 20), &mut encoder).unwrap();
    encoder.finish().unwrap();
    assert!(matches!(unpacked(&wide, Limits::default()), (Err(Unfit::Unreadable(_)), 0)));
}

#[test]
fn a_folder_aside_goes_away_and_what_was_left_too() {
    let place = tempfile::tempdir().unwrap();
    let left = place.path().join("drawdown-aside-999999999-0000000000000001");
    std::fs::create_dir(&left).unwrap();
    std::fs::create_dir(place.path().join("drawdown-aside-mine")).unwrap();
    let aside = Aside::make(place.path()).unwrap();
    assert!(!left.exists() && aside.path().is_dir());
    use std::os::unix::fs::PermissionsExt;
    assert_eq!(std::fs::metadata(aside.path()).unwrap().permissions().mode() & 0o777, 0o700);
    let path = aside.path().to_owned();
    drop(aside);
    assert!(!path.exists() && place.path().join("drawdown-aside-mine").exists());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever the bytes, nothing panics, nothing lands outside and no limit is passed.
    #[test]
    fn no_bytes_do_harm(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        cut in any::<prop::sample::Index>(),
        tar_too in any::<bool>(),
    ) {
        let folder = folder_with(&[("a/b.txt", &[b'x'; 700]), ("c.txt", b"y")]);
        let mut bytes = packed(folder.path());
        if tar_too {
            bytes = zstd::decode_all(&bytes[..]).unwrap();
        }
        for (at, to) in &changes {
            let at = at.index(bytes.len());
            bytes[at] = *to;
        }
        bytes.truncate(cut.index(bytes.len()).max(bytes.len() / 2));
        if tar_too {
            bytes = zstd::encode_all(&bytes[..], 1).unwrap();
        }
        let limits = Limits { files: 4, bytes: 4_096 };
        if let (Ok(names), left) = unpacked(&bytes, limits) {
            prop_assert_eq!(names.len(), left);
        }
    }
}
