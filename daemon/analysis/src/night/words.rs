//! Lengths, counts and shares in words.

/// A length: `0.4 s`, `11 s`, `4 min 12 s`, `2 h 05 min`, `3 d 4 h`.
pub(super) fn length(s: f64) -> String {
    let whole = s.max(0.0).floor() as u64;
    let (minutes, hours) = (whole / 60, whole / 3600);
    match whole {
        ..10 => format!("{:.1} s", s.max(0.0)),
        10..60 => format!("{whole} s"),
        60..3600 => format!("{minutes} min {:02} s", whole % 60),
        3600..86_400 => format!("{hours} h {:02} min", minutes % 60),
        _ => format!("{} d {} h", whole / 86_400, hours % 24),
    }
}

/// So many of something: `1 start`, `14 starts`.
pub(super) fn many(count: usize, one: &str) -> String {
    match count {
        1 => format!("1 {one}"),
        _ => format!("{count} {one}s"),
    }
}

/// `once`, `twice`, `7 times`.
pub(super) fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        _ => format!("{count} times"),
    }
}

/// A share: `30 %`, `99.2 %`; `0 %` and `100 %` only for nothing and all of it.
pub(super) fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 99.0 && percent < 100.0 {
        format!("{:.2} %", percent.min(99.99))
    } else if percent > 0.0 && percent < 1.0 {
        format!("{:.2} %", percent.max(0.01))
    } else {
        format!("{percent:.0} %")
    }
}

/// A range of figures, one where both read alike: `11.2`, `10.9 to 11.3`.
pub(super) fn range(values: impl Iterator<Item = f64>, decimals: usize) -> Option<String> {
    let finite = values.filter(|value| value.is_finite());
    let ends = finite.fold(None, |ends: Option<(f64, f64)>, value| {
        Some(ends.map_or((value, value), |(low, high)| {
            (low.min(value), high.max(value))
        }))
    });
    let (low, high) =
        ends.map(|(low, high)| (format!("{low:.decimals$}"), format!("{high:.decimals$}")))?;
    Some(if low == high {
        low
    } else {
        format!("{low} to {high}")
    })
}

/// Things in a row: `a`, `a and b`, `a, b and c`.
pub(super) fn list(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// A detail as the end of a sentence: without a full stop of its own.
pub(super) fn trimmed(detail: &str) -> &str {
    detail.trim().trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_as_people_say_them() {
        let lengths = [
            (0.44, "0.4 s"),
            (11.9, "11 s"),
            (252.0, "4 min 12 s"),
            (7_500.0, "2 h 05 min"),
            (273_600.0, "3 d 4 h"),
        ];
        for (s, words) in lengths {
            assert_eq!(length(s), words);
        }
        // Nothing that was missed is rounded away.
        assert_eq!(percent(0.999_999), "99.99 %");
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(percent(0.000_001), "0.01 %");
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.304), "30 %");
        assert_eq!(
            range([10.94, 11.3].into_iter(), 1).as_deref(),
            Some("10.9 to 11.3")
        );
        assert_eq!(
            range([10.91, 10.94].into_iter(), 1).as_deref(),
            Some("10.9")
        );
        assert_eq!(range([f64::NAN].into_iter(), 1), None);
        assert_eq!(list(&["a".into(), "b".into(), "c".into()]), "a, b and c");
    }
}
