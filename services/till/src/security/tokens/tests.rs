//! Attacks on tokens: RFC 8725, sections 2 and 3.

use super::*;
use hmac::{Hmac, KeyInit, Mac};
use serde_json::{Value, json};
use sha2::Sha256;
use tempfile::TempDir;

const NOW: Moment = Moment::from_millis(1_779_019_200_000);
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

fn keys() -> (TokenKeys, TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let keys = TokenKeys::open(&folder.path().join("shop.db.keys")).expect("keys");
    (keys, folder)
}

fn signed(keys: &TokenKeys) -> String {
    keys.sign("j1", "Printer", NOW, NOW.plus_millis(DAY_MS)).expect("a token")
}

fn newest(keys: &TokenKeys) -> Key {
    keys.current().keys.last().cloned().expect("a key")
}

/// A forged token, signed by HMAC with any key.
fn forged(header: &Value, claims: &Value, key: &[u8]) -> String {
    let part = |value: &Value| text(value.to_string().as_bytes());
    let message = format!("{}.{}", part(header), part(claims));
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("any length");
    mac.update(message.as_bytes());
    format!("{message}.{}", text(&mac.finalize().into_bytes()))
}

fn claims() -> Value {
    let now = seconds(NOW);
    json!({"iss": ISSUER, "aud": AUDIENCE, "sub": "Printer", "jti": "j1", "iat": now, "nbf": now, "exp": now + 60})
}

#[test]
fn a_token_is_read_until_its_end() {
    let (keys, _folder) = keys();
    let token = signed(&keys);
    let check = |after_ms: i64, expected: Result<&str, TokenWrong>| {
        let found = keys.read(&token, NOW.plus_millis(after_ms));
        assert_eq!(found.as_deref().map_err(|e| *e), expected, "{after_ms}");
    };
    check(0, Ok("j1"));
    check(-LEEWAY_SECONDS * 1000, Ok("j1"));
    check(-LEEWAY_SECONDS * 1000 - 1, Err(TokenWrong::Early));
    check(DAY_MS - 1, Ok("j1"));
    check(DAY_MS, Err(TokenWrong::Over));
}

#[test]
fn what_is_changed_cut_or_not_a_token_is_none() {
    let (keys, _folder) = keys();
    let token = signed(&keys);
    let parts: Vec<&str> = token.split('.').collect();
    let other =
        json!({"iss": ISSUER, "aud": AUDIENCE, "sub": "x", "jti": "j2", "iat": 0, "nbf": 0, "exp": i64::MAX});
    let changed = format!("{}.{}.{}", parts[0], text(other.to_string().as_bytes()), parts[2]);
    let mut wrong =
        vec![changed, format!("{}.{}.", parts[0], parts[1]), format!("{}.{}", parts[0], parts[1])];
    wrong.extend((0..token.len()).map(|end| token[..end].to_owned()));
    wrong.extend(["", ".", "..", "...", "a.b.c", "Bearer"].map(str::to_owned));
    wrong.push(format!("{token}A"));
    wrong.push(format!("{token}.{}", parts[2]));
    wrong.push("a".repeat(MAX_CHARS + 1));
    for token in wrong {
        assert_eq!(keys.read(&token, NOW), Err(TokenWrong::NotOurs), "{token}");
    }
}

// RFC 8725, 2.1 and 3.1: the token does not choose the algorithm.
#[test]
fn no_other_algorithm_is_taken() {
    let (keys, _folder) = keys();
    let key = newest(&keys);
    let kid = key.kid.clone();
    let good = forged(&json!({"typ": "JWT", "alg": "HS256", "kid": kid}), &claims(), &key.secret);
    assert_eq!(keys.read(&good, NOW).as_deref(), Ok("j1"), "the forge works");
    for alg in ["none", "None", "NONE", "HS384", "HS512", "RS256", "PS256", "ES256", "EdDSA", "", "hs256"] {
        let header = json!({"typ": "JWT", "alg": alg, "kid": kid});
        assert_eq!(
            keys.read(&forged(&header, &claims(), &key.secret), NOW),
            Err(TokenWrong::NotOurs),
            "{alg}"
        );
        let part = |value: &Value| text(value.to_string().as_bytes());
        let unsigned = format!("{}.{}.", part(&header), part(&claims()));
        assert_eq!(keys.read(&unsigned, NOW), Err(TokenWrong::NotOurs), "{alg} without a signature");
    }
}

// RFC 8725, 2.1: a public key is no secret to sign with; 3.10: keys that the token brings along are not
// trusted.
#[test]
fn a_key_is_found_in_our_file_alone() {
    let (keys, _folder) = keys();
    let key = newest(&keys);
    let kid = key.kid.as_str();
    let check = |what: &str, header: Value, secret: &[u8]| {
        assert_eq!(keys.read(&forged(&header, &claims(), secret), NOW), Err(TokenWrong::NotOurs), "{what}");
    };
    check("no key id", json!({"alg": "HS256"}), &key.secret);
    check("another key's id", json!({"alg": "HS256", "kid": "other"}), &key.secret);
    check("an empty id", json!({"alg": "HS256", "kid": ""}), b"");
    check("a path", json!({"alg": "HS256", "kid": "../../../dev/null"}), b"");
    check("SQL", json!({"alg": "HS256", "kid": "' UNION SELECT 'AA"}), b"\0");
    check("an empty key", json!({"alg": "HS256", "kid": kid}), b"");
    check("the key's name as the key", json!({"alg": "HS256", "kid": kid}), kid.as_bytes());
    check("a public key as the key", json!({"alg": "RS256", "kid": kid}), b"-----BEGIN PUBLIC KEY-----");
    let jwk = json!({"kty": "oct", "k": text(b"attacker's own key, of 32 bytes!")});
    let own = b"attacker's own key, of 32 bytes!";
    check("a key of its own", json!({"alg": "HS256", "kid": kid, "jwk": jwk}), own);
    check("an address of keys", json!({"alg": "HS256", "kid": kid, "jku": "https://evil.example/k"}), own);
    check(
        "an address of certificates",
        json!({"alg": "HS256", "kid": kid, "x5u": "https://evil.example/k"}),
        own,
    );
    check("something critical", json!({"alg": "HS256", "kid": kid, "crit": ["exp"]}), &key.secret);
    check("a list of ids", json!({"alg": "HS256", "kid": [kid]}), &key.secret);
}

// RFC 8725, 3.8 and 3.9; RFC 7519, 4.1.
#[test]
fn issuer_audience_and_times_are_checked() {
    let (keys, _folder) = keys();
    let key = newest(&keys);
    let check = |field: &str, value: Option<Value>, expected: Result<&str, TokenWrong>| {
        let mut claims = claims();
        match &value {
            Some(value) => claims[field] = value.clone(),
            None => {
                claims.as_object_mut().expect("claims").remove(field);
            }
        }
        let token = forged(&json!({"alg": "HS256", "kid": key.kid}), &claims, &key.secret);
        let found = keys.read(&token, NOW);
        assert_eq!(found.as_deref().map_err(|e| *e), expected, "{field}: {value:?}");
    };
    let (now, not_ours) = (seconds(NOW), Err(TokenWrong::NotOurs));
    check("sub", Some(json!("Other")), Ok("j1"));
    check("iss", Some(json!("elsewhere")), not_ours);
    check("aud", Some(json!("other-api")), not_ours);
    check("aud", Some(json!(["other-api"])), not_ours);
    check("exp", Some(json!(now)), Err(TokenWrong::Over));
    check("exp", Some(json!(now - 3600)), Err(TokenWrong::Over));
    check("nbf", Some(json!(now + 3600)), Err(TokenWrong::Early));
    check("exp", Some(json!("tomorrow")), not_ours);
    check("exp", Some(json!(1e300)), not_ours);
    check("jti", Some(json!(7)), not_ours);
    for field in ["iss", "aud", "sub", "jti", "iat", "nbf", "exp"] {
        check(field, None, not_ours);
    }
}

#[test]
fn keys_are_rotated_and_the_old_ones_still_verify() {
    let (keys, folder) = keys();
    let other_process = TokenKeys::open(&folder.path().join("shop.db.keys")).expect("keys");
    let old = signed(&keys);
    let first = newest(&keys);
    keys.rotate().expect("a new key");
    let new = signed(&keys);
    assert_ne!(newest(&keys), first);
    for (reader, whose) in [(&keys, "ours"), (&other_process, "another process's")] {
        for token in [&old, &new] {
            assert_eq!(reader.read(token, NOW).as_deref(), Ok("j1"), "{whose}");
        }
    }
    let elsewhere = super::tests::keys().0;
    assert_eq!(elsewhere.read(&new, NOW), Err(TokenWrong::NotOurs), "another shop's");
}

#[cfg(unix)]
#[test]
fn the_file_is_its_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (keys, folder) = keys();
    let mode = std::fs::metadata(&keys.path).expect("the file").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    assert_eq!(std::fs::read_dir(folder.path()).expect("the folder").count(), 1, "nothing is left beside it");
    std::fs::set_permissions(&keys.path, std::fs::Permissions::from_mode(0o640)).expect("changed");
    let refused = TokenKeys::open(&keys.path).expect_err("refused");
    assert!(
        matches!(refused, KeysError::Open { .. }) && refused.to_string().contains("chmod 600"),
        "{refused}"
    );
}

#[test]
fn what_is_no_file_of_keys_is_refused_in_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let check = |content: &str, words: &str| {
        let path = folder.path().join("keys");
        std::fs::write(&path, content).expect("written");
        #[cfg(unix)]
        std::fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o600)).expect("closed");
        let refused = TokenKeys::open(&path).expect_err(content).to_string();
        assert!(refused.contains(words), "{content}: {refused}");
        std::fs::remove_file(&path).expect("gone");
    };
    check("", "not a file of token keys");
    check("{}", "not a file of token keys");
    check("{\"keys\": []}", "no key in");
    check(r#"{"keys": [{"kty":"oct","use":"sig","alg":"HS256","kid":"a","k":"c2hvcnQ"}]}"#, "not a file");
    check(r#"{"keys": [{"kty":"oct","use":"sig","alg":"none","kid":"a","k":""}]}"#, "not a file");
    let refused = TokenKeys::open(&folder.path().join("nowhere/keys")).expect_err("refused").to_string();
    assert!(refused.contains("cannot be written"), "{refused}");
}

/// The contents of a file of keys.
fn file_of(keys: &TokenKeys) -> Value {
    serde_json::from_slice(&std::fs::read(&keys.path).expect("the file")).expect("JSON")
}

/// Writes the file in place, as an editor or another process does.
fn rewrite(keys: &TokenKeys, content: &str, in_place: bool) {
    if in_place {
        std::fs::write(&keys.path, content).expect("written");
    } else {
        let beside = keys.path.with_extension("new");
        std::fs::write(&beside, content).expect("written");
        #[cfg(unix)]
        std::fs::set_permissions(&beside, std::os::unix::fs::PermissionsExt::from_mode(0o600)).expect("shut");
        std::fs::rename(&beside, &keys.path).expect("in its place");
    }
}

#[test]
fn a_key_taken_out_of_the_file_opens_nothing_from_then_on() {
    for in_place in [false, true] {
        let (keys, _folder) = keys();
        let old = signed(&keys);
        keys.rotate().expect("rotated");
        let new = signed(&keys);
        assert_eq!((keys.read(&old, NOW), keys.read(&new, NOW)), (Ok("j1".to_owned()), Ok("j1".to_owned())));
        let mut left = file_of(&keys);
        left["keys"].as_array_mut().expect("keys").remove(0);
        rewrite(&keys, &left.to_string(), in_place);
        assert_eq!(keys.read(&old, NOW), Err(TokenWrong::NotOurs), "in place: {in_place}");
        assert_eq!(keys.read(&new, NOW).as_deref(), Ok("j1"));
    }
}

#[test]
fn a_key_added_by_another_process_signs_here_too() {
    let (keys, _folder) = keys();
    let old = signed(&keys);
    TokenKeys::open(&keys.path).expect("another process").rotate().expect("rotated");
    let kid = |token: &str| decode_header(token).expect("a header").kid;
    assert_ne!(kid(&signed(&keys)), kid(&old), "the newest signs");
    assert_eq!(keys.read(&old, NOW).as_deref(), Ok("j1"));
}

#[test]
fn without_a_readable_file_no_token_is_taken_until_there_is_one_again() {
    let (keys, _folder) = keys();
    let token = signed(&keys);
    let whole = std::fs::read_to_string(&keys.path).expect("the file");
    rewrite(&keys, "{\"keys\": [", false);
    assert_eq!(keys.read(&token, NOW), Err(TokenWrong::NotOurs));
    std::fs::remove_file(&keys.path).expect("gone");
    assert_eq!(keys.read(&token, NOW), Err(TokenWrong::NotOurs));
    assert!(keys.sign("j2", "Other", NOW, NOW.plus_millis(1000)).is_err());
    rewrite(&keys, &whole, false);
    assert_eq!(keys.read(&token, NOW).as_deref(), Ok("j1"));
}
