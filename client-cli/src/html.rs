//! What pages of HTML have in common: what people wrote is shown and never run, and a page needs nothing but itself.

/// A text as HTML shows it.
pub(crate) fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

/// A whole page: its title as plain text, its look as CSS, and its body as HTML. It may load nothing from anywhere and run
/// nothing, which the page itself tells the browser.
pub(crate) fn page(title: &str, look: &str, body: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{}</title>\n\
         <style>{look}</style></head><body>\n{body}</body></html>\n",
        safe(title)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_wrote_is_shown_and_never_run() {
        assert_eq!(safe("<b> & \"it's\""), "&lt;b&gt; &amp; &quot;it&#39;s&quot;");
        let page = page("A & B", "p{margin:0}", "<p>C</p>\n");
        assert!(
            page.starts_with("<!doctype html>\n") && page.ends_with("<p>C</p>\n</body></html>\n"),
            "{page}"
        );
        assert!(page.contains("<title>A &amp; B</title>") && page.contains("default-src 'none'"), "{page}");
    }
}
