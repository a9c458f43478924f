#include "relay/page.hpp"

#include <algorithm>
#include <set>

#include "relay/page_files.hpp"
#include "relay_page/told_run.hpp"

using namespace nightwell::relay;
using namespace nightwell::relay_test;

namespace {

std::string html_of(const RunView& view, const std::string& id) {
  const auto parts = run_parts(view);
  REQUIRE(parts);
  for (const Part& part : *parts)
    if (part.id == id) return part.html;
  FAIL("no such part");
  return "";
}

bool contains(const std::string& text, const std::string& what) {
  return text.find(what) != std::string::npos;
}

std::string whole_page(const RunView& view) {
  auto parts = run_parts(view);
  REQUIRE(parts);
  const auto benches = benches_part({view}, {"older-1"});
  REQUIRE(benches);
  parts.value().insert(parts.value().begin(), *benches);
  const auto text = page({title(view), utc_at(1000), "/events?run=cold-1"}, *parts);
  REQUIRE(text);
  return *text;
}

}  // namespace

TEST_CASE("the page says where the run is, in words") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  const std::string now = html_of(run.view(), "now");
  CHECK(contains(now, "<span class=\"state\">settle</span> <small>plateau 1 of 2</small>"));
  CHECK(contains(now, "\u221224.5000 °C"));
  CHECK(contains(now, "0.500 K above the setpoint"));
  CHECK(contains(
      now, "<time datetime=\"2026-11-25T20:10:00.000000Z\"><span class=\"utc\">2026-11-25 20:10:00 UTC</span></time>"));
  CHECK(contains(html_of(run.view(), "plateaus"), "to come"));
  CHECK(contains(html_of(run.view(), "events"), "in the band"));
  CHECK(title(run.view()) == "settle, plateau 1 of 2, bench cold room");
}

TEST_CASE("what a person must know stands first") {
  ToldRun run;
  open(run);
  RunView view = run.view();
  CHECK_FALSE(contains(html_of(view, "now"), "class=\"call\""));

  SECTION("silent: unclosed and nothing for five minutes") {
    view.age_s = silent_after_s - 1;
    CHECK_FALSE(contains(html_of(view, "now"), "Silent"));
    view.age_s = silent_after_s;
    CHECK(contains(html_of(view, "now"), "Silent"));
  }
  SECTION("parked and not confirmed") {
    run(700, "phase", phase("parked", nullptr, nullptr, "asked"));
    CHECK(contains(html_of(view, "now"), "NOT CONFIRMED"));
    run(701, "park", {{"source", "bath"}, {"confirmed", true}, {"untouched", false}, {"text", ""}});
    CHECK_FALSE(contains(html_of(view, "now"), "NOT CONFIRMED"));
    CHECK(contains(html_of(view, "now"), "Every source answered that it is safe"));
  }
  SECTION("parked, and a source was never reached: that nothing was told to it is not that it is off") {
    run(700, "phase", phase("parked", nullptr, nullptr, "no answer"));
    run(701, "park", {{"source", "bath"}, {"confirmed", false}, {"untouched", true}, {"text", ""}});
    CHECK_FALSE(contains(html_of(view, "now"), "NOT CONFIRMED"));
    CHECK_FALSE(contains(html_of(view, "now"), "answered that it is safe"));
    CHECK(contains(html_of(view, "now"), "look whether it is off"));
  }
  SECTION("parked, and one of two sources has said nothing") {
    ToldRun two;
    open(two, "b", "j", {source_plan("bath"), source_plan("furnace")});
    two(700, "phase", phase("parked", nullptr, nullptr, "asked"));
    two(701, "park", {{"source", "bath"}, {"confirmed", true}, {"untouched", false}, {"text", ""}});
    CHECK(contains(html_of(two.view(), "now"), "NOT CONFIRMED"));
    CHECK(contains(html_of(two.view(), "now"), "furnace: has said nothing of it"));
  }
  SECTION("parked, and a person must switch a source off") {
    ToldRun two;
    open(two, "b", "j", {source_plan("bath"), source_plan("furnace", true)});
    two(700, "phase", phase("parked", nullptr, nullptr, "asked"));
    two(700, "ask", {{"text", "switch furnace off by hand now"}, {"source", "furnace"}, {"setpoint_c", nullptr}});
    two(701, "park", {{"source", "bath"}, {"confirmed", true}, {"untouched", false}, {"text", ""}});
    two(702, "closing", {{"ending", "parked"}, {"why", "asked"}});
    CHECK(contains(html_of(two.view(), "now"), "NOT CONFIRMED"));
    CHECK(contains(html_of(two.view(), "now"), "Somebody must do this at the bench:"));
    CHECK(contains(html_of(two.view(), "now"), "switch furnace off by hand now"));
  }
  SECTION("a parked survey has no source to confirm anything") {
    ToldRun survey;
    survey(0, "opening", {{"run", "look-1"}, {"bench", "b"}})(0, "plan", {{"sources", Json::array()}});
    survey(700, "phase", phase("parked", nullptr, nullptr, "the reference is open"));
    CHECK_FALSE(contains(html_of(survey.view(), "now"), "NOT CONFIRMED"));
    CHECK(contains(html_of(survey.view(), "now"), "This run had no heat source"));
  }
  SECTION("a question") {
    run(700, "ask", {{"text", "set the ice bath"}, {"source", "ice"}, {"setpoint_c", 0.0}});
    CHECK(contains(html_of(view, "now"), "set the ice bath"));
  }
  SECTION("a journal that cannot be read on") {
    view.trouble = "line 7: prev is not the hash of line 6";
    view.damaged = true;
    CHECK(contains(html_of(view, "now"), "line 7"));
    CHECK(contains(html_of(view, "now"), "cannot be read further"));
  }
  SECTION("a journal that cannot be read now") {
    view.trouble = "No such file or directory";
    CHECK(contains(html_of(view, "now"), "No such file or directory"));
    CHECK(contains(html_of(view, "now"), "cannot be read now; it is tried again every second"));
  }
  SECTION("a long journal that is still being read") {
    view.read_bytes = 20;
    view.bytes = 80;
    CHECK(contains(html_of(view, "now"), "25 % so far"));
  }
}

TEST_CASE("a closed run that was silent for days is not called silent") {
  ToldRun run;
  open(run);
  run(700, "closing", {{"ending", "finished"}, {"why", "every plateau is done"}});
  RunView view = run.view();
  view.age_s = 1e6;
  CHECK_FALSE(contains(html_of(view, "now"), "Silent"));
  CHECK(contains(html_of(view, "now"), "finished"));
}

TEST_CASE("text from outside comes out inert wherever it stands") {
  const std::string evil =
      "<script>alert(1)</script><img src=x onerror=alert(2)>\" onclick=\"alert(3)\"'&{{{run}}}\x1b[31m\u202e\u2066]]>";
  ToldRun run;
  open(run, evil, evil);
  run(605, "phase", {{"phase", evil}, {"plateau", 0}, {"setpoint_c", 1.0}, {"why", evil}});
  run(606, "command", {{"source", evil}, {"target_c", 1.0}, {"output", true}, {"why", evil}});
  run(606, "park", {{"source", evil}, {"confirmed", false}, {"cause", evil}, {"text", evil}});
  run(607, "ask", {{"text", evil}, {"source", evil}});
  run(608, "fault", {{"instrument", evil}, {"code", evil}, {"text", evil}});
  run(608, "storage", {{"event", evil}, {"text", evil}});
  run(609, "left_out", {{"channel", evil}, {"why", evil}});
  run(610, "plateau", {{"plateau", 0}, {"outcome", evil}, {"why", evil}, {"window", nullptr}});
  run(611, "note", {{"text", evil}});
  run(612, "closing", {{"ending", evil}, {"why", evil}});
  RunView view = run.view();
  view.trouble = evil;
  const std::string text = whole_page(view);
  CHECK(contains(text, "&lt;script&gt;alert(1)&lt;/script&gt;"));
  CHECK_FALSE(contains(text, "<script>alert"));
  CHECK_FALSE(contains(text, "\x1b"));
  CHECK_FALSE(contains(text, "\u202e"));
  CHECK_FALSE(contains(text, "\u2066"));
  CHECK(contains(text, "{{{run}}}"));
  // Every '<' begins an element of ours, none with an attribute that the text could have brought.
  const std::set<std::string> ours = {
      "!DOCTYPE", "a",        "b",  "body", "br",       "dd",     "details", "div",   "dl",   "dt",      "figcaption",
      "figure",   "footer",   "h1", "h2",   "head",     "header", "html",    "li",    "line", "link",    "main",
      "meta",     "noscript", "ol", "p",    "polyline", "script", "section", "small", "span", "summary", "svg",
      "table",    "tbody",    "td", "text", "th",       "thead",  "time",    "title", "tr",   "ul"};
  for (std::size_t at = 0; (at = text.find('<', at)) != std::string::npos; ++at) {
    const std::string tag = text.substr(at, text.find('>', at) - at);
    const std::size_t from = tag.starts_with("</") ? 2 : 1;
    CHECK(ours.contains(tag.substr(from, tag.find_first_of(" \n/", from) - from)));
    for (const char* bad : {" onerror", " onclick", " src=x"}) CHECK_FALSE(contains(tag, bad));
  }
}

TEST_CASE("nothing of the page is inline script or style, or comes from elsewhere") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}))(620, "sweep", sweep(1, 619, {-24.7, 3.0}));
  const std::string text = whole_page(run.view());
  CHECK(contains(text, "<svg"));
  CHECK_FALSE(contains(text, " style="));
  CHECK_FALSE(contains(text, "<style"));
  CHECK(contains(text, "<script src=\"/page.js\" defer></script>"));
  CHECK(text.find("<script") == text.rfind("<script"));
  for (std::size_t at = 0; (at = text.find("http", at)) != std::string::npos; ++at) {
    const std::string rest = text.substr(at, 40);
    CHECK((rest.starts_with("http://www.w3.org/2000/svg\"") || rest.starts_with("http-equiv=\"refresh\"")));
  }
  for (const auto file : {page_files::style(), page_files::script()}) CHECK(file.find("://") == std::string_view::npos);
}

TEST_CASE("an event's data is one line, and gives the parts back") {
  const std::string text = parts_json("2026-11-25T20:00:00.000000Z", {"now", "course", "events"},
                                      {{"now", "<p>a\nb \xff</p>"}, {"events", ""}});
  CHECK(text.find('\n') == std::string::npos);
  const Json read = Json::parse(text);
  CHECK(read["utc"] == "2026-11-25T20:00:00.000000Z");
  CHECK(read["order"] == Json({"now", "course", "events"}));
  CHECK(read["parts"]["now"] == "<p>a\nb \ufffd</p>");
}

TEST_CASE("a plot of anything is drawn within its frame") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-1e300, 3.0}))(620, "sweep", sweep(1, 619, {1e300, 3.0}));
  const std::string plot = course_plot(run.digest(), 360, 240);
  CHECK_FALSE(contains(plot, "nan"));
  CHECK_FALSE(contains(plot, "inf"));
}

namespace {

// How many lines are drawn that are as thick as the reference's.
int drawn(const Digest& digest) {
  const std::string plot = course_plot(digest, 360, 240);
  int out = 0;
  for (std::size_t at = 0; (at = plot.find("<polyline", at)) != std::string::npos; ++at)
    out += contains(plot.substr(at, plot.find("/>", at) - at), "stroke-width=\"2") ? 1 : 0;
  return out;
}

}  // namespace

TEST_CASE("the course of the reference is not drawn through a time without readings") {
  ToldRun run;
  open(run);
  std::uint64_t number = 0;
  const auto read = [&](double from_s, double to_s, double every_s) {
    for (double at_s = from_s; at_s < to_s; at_s += every_s)
      run(at_s, "sweep", sweep(number++, at_s, {20 - at_s / 3600, 3.0}));
  };
  read(600, 3600, 10);
  CHECK(drawn(run.digest()) == 1);
  SECTION("it comes back") {
    read(3600 + 5 * 3600, 8 * 3600, 10);
    CHECK(drawn(run.digest()) == 2);
  }
  SECTION("one reading alone in the middle is seen") {
    read(3 * 3600, 3 * 3600 + 1, 10);
    read(3600 + 5 * 3600, 8 * 3600, 10);
    CHECK(drawn(run.digest()) == 3);
  }
  SECTION("slower readings, and a night that is thinned out, are no gap") {
    read(3600, 5 * 3600, 60);
    CHECK(drawn(run.digest()) == 1);
    read(5 * 3600, 12 * 3600, 1);
    CHECK(drawn(run.digest()) == 1);
  }
}

TEST_CASE("a reference whose newest reading has no value is said to have none") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  CHECK_FALSE(contains(html_of(run.view(), "now"), "has no value"));
  run(620, "sweep", sweep(1, 619, {nullptr, 3.0}));
  CHECK(contains(html_of(run.view(), "now"), "its newest reading has no value; this is the one before"));
  run(630, "sweep", sweep(2, 629, {-24.25, 3.0}));
  CHECK_FALSE(contains(html_of(run.view(), "now"), "has no value"));
}

TEST_CASE("readings a second are those of the last minute, and of no earlier one") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  RunView view = run.view();
  view.age_s = 59;
  CHECK(contains(html_of(view, "journal"), "readings a second"));
  view.age_s = 61;
  CHECK_FALSE(contains(html_of(view, "journal"), "readings a second"));
}
