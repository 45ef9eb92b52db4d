//! What pages of HTML have in common: what people wrote is shown and never run, and a page needs nothing but itself.

/// The look of what is written on by hand: ink on A4, so that nothing is lost on a printer without colour.
const PAPER: &str = "@page{size:A4;margin:16mm 14mm}\
    body{font:10pt/1.35 Georgia,serif;color:#111;max-width:182mm;margin:8mm auto}\
    h1{font-size:15pt;margin:0 0 1mm}h2{font-size:11pt;margin:5mm 0 1mm;border-bottom:.4pt solid #111;break-after:avoid}\
    p{margin:1mm 0}thead{display:table-header-group}tr{break-inside:avoid}ul{margin:1mm 0;padding-left:5mm}\
    @media print{body{margin:0;max-width:none}}";

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

/// A page to be printed; `look` is its own beside that of every such page.
pub(crate) fn paper(title: &str, look: &str, body: &str) -> String {
    page(title, &format!("{PAPER}{look}"), body)
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
