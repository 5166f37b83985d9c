//! The token that lets people in, and the pass that a browser gets for it: values, files and comparisons that tell no time.
//!
//! A pass is a random value and its HMAC-SHA256 under the token (RFC 2104), so that it outlives a restart of the daemon and tells
//! nothing of the token. Knows no request.

use std::io::{ErrorKind, Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;

use crate::digest::hex;
use crate::document::Fault;

/// A token of fewer characters can be guessed.
const TOKEN_LEAST: usize = 20;
/// Longer than any token.
const TOKEN_MOST: usize = 200;
/// Random bytes of a new token.
const TOKEN_BYTES: usize = 24;
/// Random bytes of a pass.
const NONCE_BYTES: usize = 16;
/// What passes are made for, so that nothing else made with the token is one.
const PURPOSE: &[u8] = b"drawdown page pass 1 ";

/// What lets people in.
#[derive(Clone)]
pub struct Token(String);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(not shown)")
    }
}

impl Token {
    /// From its text: 20 to 200 letters, digits, `-` or `_`.
    pub fn new(text: &str) -> Option<Self> {
        let plain = text.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_'));
        (plain && (TOKEN_LEAST..=TOKEN_MOST).contains(&text.len())).then(|| Self(text.to_owned()))
    }

    /// Reads a token's file; makes it, with a random token and for its owner alone, where it is not there.
    ///
    /// # Errors
    /// If the file can't be read or made, or holds no token.
    pub fn load_or_make(path: &Path) -> Result<Self, Fault> {
        let mut text = String::new();
        match std::fs::File::open(path) {
            Ok(file) => {
                file.take(4 * TOKEN_MOST as u64)
                    .read_to_string(&mut text)
                    .map_err(|error| Fault::io(path, "read", &error))?;
            }
            Err(error) if error.kind() == ErrorKind::NotFound => {
                text = Self::random().map_err(|error| Fault::io(path, "make a token for", &error))?.0;
                let mut options = std::fs::OpenOptions::new();
                let made = options.write(true).create_new(true).mode(0o600).open(path);
                made.and_then(|mut file| writeln!(file, "{text}").and_then(|()| file.sync_all()))
                    .map_err(|error| Fault::io(path, "make", &error))?;
            }
            Err(error) => return Err(Fault::io(path, "read", &error)),
        }
        Self::new(text.trim()).ok_or_else(|| {
            Fault::whole(path.display().to_string(), "holds no token")
                .remedy("remove it and a new one is made, or write 20 to 200 letters, digits, '-' or '_' into it")
        })
    }

    /// A new one.
    ///
    /// # Errors
    /// If the system gives no random bytes.
    pub fn random() -> std::io::Result<Self> {
        Ok(Self(hex(&random::<TOKEN_BYTES>()?)))
    }

    /// The link that a passenger opens once, on this address (`192.168.4.1:8460`).
    pub fn link(&self, address: &str) -> String {
        format!("http://{address}/?token={}", self.0)
    }

    /// Whether a text is this token, in a time that does not tell how much of it is.
    pub fn is(&self, text: &str) -> bool {
        Sha256::digest(text).ct_eq(&*Sha256::digest(&self.0)).into()
    }

    /// A new pass.
    ///
    /// # Errors
    /// If the system gives no random bytes.
    pub fn pass(&self) -> std::io::Result<String> {
        let nonce = random::<NONCE_BYTES>()?;
        Ok(format!("{}.{}", hex(&nonce), hex(&self.sign(&nonce))))
    }

    /// Whether a text is a pass of this token.
    pub fn admits(&self, pass: &str) -> bool {
        let Some((nonce, sum)) = pass.split_once('.') else { return false };
        let (Some(nonce), Some(sum)) = (bytes::<NONCE_BYTES>(nonce), bytes::<32>(sum)) else { return false };
        self.sign(&nonce).ct_eq(&sum).into()
    }

    fn sign(&self, nonce: &[u8]) -> [u8; 32] {
        hmac(self.0.as_bytes(), &[PURPOSE, nonce])
    }
}

/// HMAC-SHA256 (RFC 2104) of a message in parts.
fn hmac(key: &[u8], message: &[&[u8]]) -> [u8; 32] {
    const BLOCK: usize = 64;
    let mut padded = [0; BLOCK];
    if key.len() > BLOCK {
        padded[..32].copy_from_slice(&Sha256::digest(key));
    } else {
        padded[..key.len()].copy_from_slice(key);
    }
    let mut inner = Sha256::new_with_prefix(padded.map(|byte| byte ^ 0x36));
    message.iter().for_each(|part| inner.update(part));
    let outer = Sha256::new_with_prefix(padded.map(|byte| byte ^ 0x5c));
    outer.chain_update(inner.finalize()).finalize().into()
}

fn random<const N: usize>() -> std::io::Result<[u8; N]> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|error| std::io::Error::other(error.to_string()))?;
    Ok(bytes)
}

/// The bytes of exactly so many pairs of hexadecimal digits.
fn bytes<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digit = |byte: u8| (byte as char).to_digit(16).map(|digit| digit as u8);
    let mut bytes = [0; N];
    if text.len() != 2 * N {
        return None;
    }
    for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
        *byte = digit(pair[0])? << 4 | digit(pair[1])?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    #[test]
    fn hmac_is_that_of_the_standard() {
        // RFC 4231, test cases 1, 2 and 6 (a key longer than a block).
        let sums = [
            hmac(&[0x0b; 20], &[b"Hi There"]),
            hmac(b"Jefe", &[b"what do ya want ", b"for nothing?"]),
            hmac(&[0xaa; 131], &[b"Test Using Larger Than Block-Size Key - Hash Key First"]),
        ];
        let sums = sums.map(|sum| hex(&sum));
        assert_eq!(
            sums,
            [
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ]
        );
    }

    #[test]
    fn a_pass_admits_and_nothing_else_does() {
        let token = Token::random().unwrap();
        let (one, other) = (token.pass().unwrap(), token.pass().unwrap());
        assert!(token.admits(&one) && token.admits(&other) && one != other);
        assert!(!one.contains(&token.0) && !format!("{token:?}").contains(&token.0));
        assert!(!Token::random().unwrap().admits(&one), "a new token ends all passes");
        let bent = format!("{}{}", &one[..one.len() - 1], if one.ends_with('0') { '1' } else { '0' });
        for wrong in ["", ".", &*token.0, &one[1..], &bent, &one.replace('.', ""), &format!("{one}0")] {
            assert!(!token.admits(wrong), "{wrong}");
        }
        assert!(token.is(&token.0) && !token.is(&token.0[1..]) && !token.is(""));
    }

    #[test]
    fn a_token_that_is_not_there_is_made_for_its_owner_alone_and_a_weak_one_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("page-token");
        let made = Token::load_or_make(&path).unwrap();
        assert_eq!(Token::load_or_make(&path).unwrap().0, made.0);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        for weak in ["", "short", "one with spaces and more", "ünlike-anything-that-is-plain"] {
            std::fs::write(&path, weak).unwrap();
            assert!(Token::load_or_make(&path).unwrap_err().to_string().contains("holds no token"));
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics_or_admits(text in "[0-9a-f.]{0,120}|\\PC{0,120}") {
            proptest::prop_assert!(!Token("a-token-for-this-test-alone".into()).admits(&text));
        }
    }
}
