//! Who may publish to an intake: a file of `name:hash` lines, the hashes by Argon2id.
//!
//! In: the file's text; a name and password. Out: faults by line; yes or no; a line to write. Never
//! quotes a password or a hash. Left out: reading and writing the file.

use std::collections::BTreeMap;

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};

/// Memory of one hash, KiB, passes and lanes: of the settings that the OWASP password storage sheet
/// holds equal the one with the least memory, for card computers. Made in a fraction of a second.
const COST: (u32, u32, u32) = (7 * 1024, 5, 1);
/// The most memory, KiB, and the most passes that a hash in the file may ask for: a file from
/// elsewhere must not take the machine down at each connection.
const COST_MAX: (u32, u32) = (64 * 1024, 16);
/// The longest name, bytes.
const NAME_BYTES_MAX: usize = 64;
/// The longest password, bytes.
pub const PASSWORD_BYTES_MAX: usize = 256;
/// Bytes of salt.
pub const SALT_BYTES: usize = 16;

/// Names with their hashes.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct People(BTreeMap<String, String>);

impl std::fmt::Debug for People {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{} people", self.0.len())
    }
}

impl People {
    /// Reads the file's text; blank lines and lines that begin with `#` are passed over.
    ///
    /// # Errors
    /// The first faulty line, from 1, and what is wrong with it.
    pub fn read(text: &str) -> Result<People, (usize, String)> {
        let mut people = BTreeMap::new();
        for (at, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let wrong = |why: &str| (at + 1, why.to_owned());
            let (name, hash) =
                line.split_once(':').ok_or_else(|| wrong("expected NAME:HASH, as tubwatch user add writes it"))?;
            if let Some(fault) = name_fault(name) {
                return Err(wrong(&fault));
            }
            if !is_bearable(hash) {
                return Err(wrong("the hash is none that tubwatch user add writes; add that person anew"));
            }
            if people.insert(name.to_owned(), hash.to_owned()).is_some() {
                return Err(wrong("that name stands twice"));
            }
        }
        Ok(People(people))
    }

    /// Whether `password` is that of `name`. Takes a fraction of a second, for an unknown name too, so
    /// that names cannot be found out by the time it takes.
    pub fn know(&self, name: &str, password: &[u8]) -> bool {
        // A hash of nothing in particular, made with the same cost.
        const NOBODY: &str =
            "$argon2id$v=19$m=7168,t=5,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
        let known = self.0.get(name);
        let Ok(hash) = PasswordHash::new(known.map_or(NOBODY, String::as_str)) else { return false };
        let fits = Argon2::default().verify_password(password, &hash).is_ok();
        known.is_some() && fits && password.len() <= PASSWORD_BYTES_MAX
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there is nobody.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// Why `name` cannot be somebody's, if so.
pub fn name_fault(name: &str) -> Option<String> {
    let odd = |c: char| c == ':' || c.is_control() || c.is_whitespace();
    (name.is_empty() || name.len() > NAME_BYTES_MAX || name.contains(odd) || name.starts_with('#'))
        .then(|| format!("a name is 1 to {NAME_BYTES_MAX} bytes without blanks and colons, and does not begin with #"))
}

/// The line for `name` and `password`, with `salt` from the system's random numbers. `None` where the
/// password cannot be hashed.
pub fn line(name: &str, password: &[u8], salt: &[u8; SALT_BYTES]) -> Option<String> {
    let salt = SaltString::encode_b64(salt).ok()?;
    let params = Params::new(COST.0, COST.1, COST.2, None).ok()?;
    let hash = Argon2::new(Algorithm::Argon2id, Version::V0x13, params).hash_password(password, &salt).ok()?;
    Some(format!("{name}:{hash}"))
}

/// Whether `hash` is one of Argon2 that costs no more than is allowed.
fn is_bearable(hash: &str) -> bool {
    let Ok(hash) = PasswordHash::new(hash) else { return false };
    let Ok(params) = Params::try_from(&hash) else { return false };
    hash.algorithm.as_str().starts_with("argon2")
        && hash.hash.is_some()
        && hash.salt.is_some()
        && params.m_cost() <= COST_MAX.0
        && params.t_cost() <= COST_MAX.1
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn only_the_right_password_of_the_right_name() {
        let text = format!("# boards\n\n{}\n", line("shelf-board", b"correct horse", &[7; SALT_BYTES]).unwrap());
        let people = People::read(&text).unwrap();
        assert_eq!(people.len(), 1);
        for (name, password, right) in [
            ("shelf-board", "correct horse", true),
            ("shelf-board", "correct hors", false),
            ("shelf-board", "", false),
            ("Shelf-board", "correct horse", false),
            ("", "", false),
        ] {
            assert_eq!(people.know(name, password.as_bytes()), right, "{name} {password}");
        }
        assert!(!format!("{people:?}").contains("argon2"));
    }

    /// RFC 9106, 5.3 has no row without secret and data; this vector is that of the reference
    /// implementation's test file (argon2 version 0x13, id, t=2, m=65536, p=1; from memory).
    #[test]
    fn a_hash_made_elsewhere_is_known() {
        let text = "a:$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc\n";
        assert!(People::read(text).unwrap().know("a", b"password"));
    }

    #[test]
    fn faulty_lines_are_named() {
        let good = line("a", b"p", &[0; SALT_BYTES]).unwrap();
        for (text, at) in [
            ("nothing".to_owned(), 1),
            (format!("{good}\n{good}"), 2),
            ("a:plain".to_owned(), 1),
            ("a b:$argon2id$".to_owned(), 1),
            (format!("#x\n{}", good.replace("m=7168", "m=1048576")), 2),
        ] {
            assert_eq!(People::read(&text).unwrap_err().0, at, "{text}");
        }
    }
}
