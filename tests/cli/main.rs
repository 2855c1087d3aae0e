//! Sessions at the command line, word for word: what a person types, what they see, and the exit status. Error texts
//! are checked as seriously as results.

#[test]
fn sessions() {
    trycmd::TestCases::new().case("tests/cli/*.md");
}
