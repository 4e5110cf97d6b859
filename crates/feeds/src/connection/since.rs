//! The format of `{since}`.

use super::ConnectionError;
use super::parts::{Read, Reader};
use super::raw::RawOrders;
use crate::date;
use domain::day::{Moment, Zone};

/// How a moment is written into an address.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SinceFormat {
    form: Form,
    /// UTC if none.
    zone: Option<Zone>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
enum Form {
    #[default]
    Rfc3339,
    Seconds,
    Milliseconds,
    Pattern(String),
}

/// When the clocks are set back, a local time comes twice; how often to step back to find one that
/// comes once. Clocks are set back by two hours at most.
const MAX_STEPS_BACK: usize = 4;
const STEP_BACK_MS: i64 = 60 * 60 * 1000;

impl SinceFormat {
    /// The moment as text; never later than it is, whatever the format leaves out.
    pub fn write(&self, moment: Moment) -> String {
        let utc = Zone::utc();
        let zone = self.zone.as_ref().unwrap_or(&utc);
        match &self.form {
            Form::Rfc3339 if self.zone.is_none() => moment.to_string(),
            Form::Rfc3339 => zone.written(moment, "%Y-%m-%dT%H:%M:%S%:z").unwrap_or_default(),
            Form::Seconds => moment.millis().div_euclid(1000).to_string(),
            Form::Milliseconds => moment.millis().to_string(),
            Form::Pattern(pattern) => {
                let mut moment = moment;
                // A local time that comes twice means the earlier of the two moments.
                for _ in 0..MAX_STEPS_BACK {
                    if !zone.comes_twice(moment) || says_offset(pattern) {
                        break;
                    }
                    moment = moment.plus_millis(-STEP_BACK_MS);
                }
                // The pattern was tried when it was read.
                zone.written(moment, pattern).unwrap_or_default()
            }
        }
    }
}

/// Whether a pattern tells the two moments of one local time apart.
fn says_offset(pattern: &str) -> bool {
    ["%z", "%:z", "%s"].into_iter().any(|directive| pattern.contains(directive))
}

impl Reader<'_> {
    pub(super) fn since(&self, raw: &RawOrders, line: usize) -> Read<SinceFormat> {
        let together = |why| ConnectionError::Together { line, table: "[orders]", why };
        if (raw.since.is_some() || raw.zone.is_some()) && !raw.from.get_ref().contains("{since}") {
            return Err(together("has since or zone, which go with {since} in from alone"));
        }
        let form = match raw.since.as_ref().map(|since| (since, since.get_ref().as_str())) {
            None | Some((_, "rfc3339")) => Form::Rfc3339,
            Some((_, date::SECONDS)) => Form::Seconds,
            Some((_, date::MILLISECONDS)) => Form::Milliseconds,
            Some((_, pattern)) if pattern.contains('%') && date::fault(pattern).is_none() => {
                Form::Pattern(pattern.to_owned())
            }
            Some((since, _)) => {
                let why = "use one of rfc3339, seconds, milliseconds, or a pattern that says year, month \
                    and day, such as %Y-%m-%d %H:%M:%S";
                return Err(self.wrong("[orders] since", since, why));
            }
        };
        if raw.zone.is_some() && matches!(form, Form::Seconds | Form::Milliseconds) {
            return Err(together("has zone, but a count of seconds is the same in every zone; take it out"));
        }
        let zone = raw.zone.as_ref().map(|zone| {
            Zone::from_name(zone.get_ref()).map_err(|e| self.wrong("[orders] zone", zone, e.to_string()))
        });
        Ok(SinceFormat { form, zone: zone.transpose()? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connection::ConnectionFile;

    fn format(keys: &str) -> SinceFormat {
        let text = format!(
            "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/x/{{sku}}\"\n[orders]\n\
             from = \"/o?since={{since}}\"\n{keys}"
        );
        ConnectionFile::parse(&text).unwrap().orders.unwrap().since
    }

    #[test]
    fn since_is_written_as_the_other_shop_reads_it() {
        let check = |keys: &str, moment: &str, expected: &str| {
            let moment = Moment::parse_rfc3339(moment).unwrap();
            assert_eq!(format(keys).write(moment), expected, "{keys} {moment}");
        };
        let noon = "2026-06-15T12:00:00Z";
        check("", noon, noon);
        check("since = \"rfc3339\"\n", noon, noon);
        check("zone = \"Europe/London\"\n", noon, "2026-06-15T13:00:00+01:00");
        check("since = \"seconds\"\n", noon, "1781524800");
        check("since = \"milliseconds\"\n", "2026-06-15T12:00:00.250Z", "1781524800250");
        // A fraction of a second is never rounded up.
        check("since = \"seconds\"\n", "2026-06-15T12:00:00.999Z", "1781524800");
        check("since = \"%Y-%m-%d %H:%M:%S\"\n", "2026-06-15T12:00:00.999Z", "2026-06-15 12:00:00");
        check("since = \"%d.%m.%Y\"\nzone = \"America/New_York\"\n", "2026-06-15T03:00:00Z", "14.06.2026");
        check("since = \"%Y%m%dT%H%M%S%z\"\nzone = \"Europe/Berlin\"\n", noon, "20260615T140000+0200");
    }

    #[test]
    fn an_hour_that_comes_twice_is_never_read_as_the_later_one() {
        // Clocks in Berlin are set back from 03:00 to 02:00 on October 25, 2026 (IANA tzdata, rule
        // EU).
        let local = format("since = \"%Y-%m-%dT%H:%M\"\nzone = \"Europe/Berlin\"\n");
        let offset = format("since = \"%Y-%m-%dT%H:%M%z\"\nzone = \"Europe/Berlin\"\n");
        let check = |moment: &str, expected: &str, with_offset: &str| {
            let moment = Moment::parse_rfc3339(moment).unwrap();
            assert_eq!(local.write(moment), expected, "{moment}");
            assert_eq!(offset.write(moment), with_offset, "{moment}");
        };
        check("2026-10-24T23:59:00Z", "2026-10-25T01:59", "2026-10-25T01:59+0200");
        check("2026-10-25T00:30:00Z", "2026-10-25T01:30", "2026-10-25T02:30+0200");
        check("2026-10-25T01:30:00Z", "2026-10-25T01:30", "2026-10-25T02:30+0100");
        check("2026-10-25T02:00:00Z", "2026-10-25T03:00", "2026-10-25T03:00+0100");
    }
}
