//! What is wrong with a person, a device, a token or a second factor.

use ledger::rejection::PeopleReason;

pub(crate) fn words(reason: &PeopleReason) -> String {
    let fixed = match reason {
        PeopleReason::PersonExists { name } => {
            return format!("there is already a person named {name}; choose another name");
        }
        PeopleReason::DeviceExists { name } => {
            return format!(
                "there is already a device named {name}; choose another name, or remove that device"
            );
        }
        PeopleReason::TokenExists { name } => {
            return format!(
                "there is already a token named {name}; choose another name, or revoke that token"
            );
        }
        PeopleReason::NameOfToken { name } => {
            return format!("a token already has the name {name}; choose another name");
        }
        PeopleReason::NameOfPerson { name } => {
            return format!("a person already has the name {name}; choose another name");
        }
        PeopleReason::NameReserved { name } => {
            return format!("the name {name} is reserved for the program; choose another name");
        }
        PeopleReason::SecondFactorNotOn { name } => {
            return format!("two-step sign-in is not on for {name}");
        }
        PeopleReason::ApproverLimited { name } => {
            return format!("this is above the limits of {name} too; ask someone with more rights");
        }
        PeopleReason::ApprovesOwn => "you cannot approve this yourself; ask someone with more rights",
        PeopleReason::FirstIsOwner => "the first person must be an owner; add an owner first",
        PeopleReason::LastOwner => "this is the only owner; make someone else an owner first",
        PeopleReason::WrongCode => {
            "this code is incorrect or was already used; enter the code that the app shows now"
        }
        PeopleReason::SecondFactorOn => "two-step sign-in is already on; turn it off first",
        PeopleReason::SecondFactorKeyExpired => "this key has expired; start again",
        PeopleReason::SecondFactorFirst => "turn on two-step sign-in first",
        PeopleReason::TokenEndsInPast => "the token would expire before it starts; choose a later day",
        PeopleReason::LimitedToken => {
            "this token has limits of its own, so it cannot change limits; sign in as an owner to change them"
        }
        PeopleReason::OwnerHasNoLimits => {
            "an owner has no limits; make the person a counter clerk or a maker"
        }
        PeopleReason::NotAHash => "this is not the hash of a password",
    };
    fixed.to_owned()
}
