//! Sessions at the command line, word for word: what a person types, what they see, and the exit status. Error texts
//! are checked as seriously as results. The README's sessions are among them, so that it stays true.

#[test]
fn sessions() {
    trycmd::TestCases::new()
        .case("tests/cli/*.md")
        .case("README.md");
}
