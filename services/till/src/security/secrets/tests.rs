use super::*;
use argon2::PasswordHasher;

// OWASP ASVS 5.0.0, 6.2.1, 6.2.4, 6.2.5, 6.2.8, 6.2.9; NIST SP 800-63B, 5.1.1.2.
#[test]
fn a_password_is_long_enough_and_not_among_the_first_guessed() {
    let check = |password: &str, expected: Result<(), WeakSecret>| {
        assert_eq!(check_password(password, "Maud Ellery"), expected, "{password}");
    };
    check("sevench", Err(WeakSecret::Short));
    check("eightchr", Ok(()));
    check("éèêëéèêâ", Ok(()));
    check("éèêëéèê", Err(WeakSecret::Short));
    check("               ", Ok(()));
    check("905173620418", Ok(()));
    check("plum ladder thistle harvest", Ok(()));
    check(&"long and longer ".repeat(4), Ok(()));
    check(&"long and longer ".repeat(8), Ok(()));
    check(&"ab c".repeat(256), Ok(()));
    check(&format!("{}d", "ab c".repeat(256)), Err(WeakSecret::Long));
    check("password", Err(WeakSecret::Common));
    check("Password1", Err(WeakSecret::Common));
    check("password123456", Err(WeakSecret::Common));
    check("P@ssw0rd!", Err(WeakSecret::Common));
    check("123456789", Err(WeakSecret::Common));
    check("87654321", Err(WeakSecret::Common));
    check("aaaaaaaa", Err(WeakSecret::Common));
    check("12121212", Err(WeakSecret::Common));
    check("qwertyuiop", Err(WeakSecret::Common));
    check("qwerty2026", Err(WeakSecret::Common));
    check("iloveyou", Err(WeakSecret::Common));
    check("summer2026!", Err(WeakSecret::Common));
    check("monkeymonkey", Err(WeakSecret::Common));
    check("maud ellery", Err(WeakSecret::Name));
}

/// The list must be complete, and its words must be found in each of their disguises.
#[test]
fn what_the_published_list_has_is_refused() {
    let words: Vec<&str> =
        include_str!("common_passwords.txt").lines().filter(|line| !line.starts_with('#')).collect();
    assert_eq!(words.len(), 10961);
    let refused = |password: &str| check_password(password, "Maud Ellery") == Err(WeakSecret::Common);
    let passed: Vec<&&str> = words.iter().filter(|word| word.len() >= 8 && !refused(word)).collect();
    assert!(passed.is_empty(), "{passed:?}");
    for password in ["Trustno1", "elizabeth7", "Jennifer2026!", "7october7", "woolshop1", "Kn1tting"] {
        assert!(refused(password), "{password}");
    }
}

#[test]
fn a_hash_is_salted_and_says_how_it_was_made() {
    let [one, two] = [hash("a few words"), hash("a few words")].map(|phc| phc.expect("a hash"));
    assert!(one.as_str().starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{}", one.as_str());
    assert_ne!(one, two);
    let check = |password: &str, right: bool| {
        assert_eq!(verify(password, one.as_str()), (right, false), "{password}");
    };
    check("a few words", true);
    check("a few wordS", false);
    check("a few words ", false);
    check("a few", false);
    check("", false);
    assert_eq!(verify("a few words", "not a hash"), (false, false));
    let long = "x".repeat(64);
    let of_long = hash(&long).expect("a hash");
    assert!(!verify(&format!("{long}y"), of_long.as_str()).0, "the 65th character matters");
}

// Argon2id by another implementation: the reference command line, as its own test prints it
// (github.com/P-H-C/phc-winner-argon2, src/test.c: Argon2id, v=19, t=2, m=2^16, p=1, “password”, “somesalt”).
#[test]
fn another_implementations_hash_is_understood() {
    let phc = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
    assert_eq!(verify("password", phc), (true, false));
    assert_eq!(verify("passwore", phc), (false, false));
}

#[tokio::test]
async fn a_weaker_hash_is_made_anew_and_nobodys_is_never_right() {
    let secrets = Secrets::new();
    let params = Params::new(8192, 1, 1, None).expect("weaker settings");
    let weak = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    let weak: PasswordHash = weak.hash_password_with_salt(b"a few words", b"saltsalt").expect("a hash");
    let weak = Phc::new(weak.to_string()).expect("a PHC string");
    let checked = secrets.check("a few words", Some(&weak), Lane::Stranger).await.expect("checked");
    let stronger = checked.stronger.expect("a stronger hash");
    assert!(checked.right && stronger.as_str().contains("m=19456,t=2"), "{}", stronger.as_str());
    let again = secrets.check("a few words", Some(&stronger), Lane::Stranger).await.expect("checked");
    assert_eq!(again, Checked { right: true, stronger: None });
    let wrong = Checked { right: false, stronger: None };
    assert_eq!(secrets.check("other words", Some(&weak), Lane::Stranger).await.expect("checked"), wrong);
    assert_eq!(secrets.check("a few words", None, Lane::Stranger).await.expect("checked"), wrong);
    assert_eq!(
        secrets.check(&"x".repeat(1 << 20), Some(&weak), Lane::Stranger).await.expect("checked"),
        wrong
    );
}
