//! The name of a piece that nobody named.

use domain::color;
use domain::item::ItemText;

/// Made from style, colors and size: `Ridge beanie, fawn, moss, M`. Empty if none of them is known.
pub(crate) fn made_of(style: &str, text: &ItemText) -> String {
    let colors = color::shown(&text.color);
    let parts = [style.trim(), &colors, text.size.trim()];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}

/// The name after a change: a name that was made from style, colors and size follows them.
pub(crate) fn following(before: (&str, &ItemText), after: (&str, &ItemText)) -> Option<String> {
    let was_made = before.1.name == made_of(before.0, before.1);
    Some(made_of(after.0, after.1)).filter(|name| was_made && !name.is_empty())
}
