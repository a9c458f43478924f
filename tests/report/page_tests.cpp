// The page of a report: what a reviewer relies on stands in it, and text from outside does no harm there.

#include <catch2/catch.hpp>

#include "full_night.hpp"
#include "report/html.hpp"
#include "report/report.hpp"
#include "support/text.hpp"

using namespace nightwell;
using namespace nightwell::report::fixture;
using nightwell::tests::holds;

namespace {

std::string page_of(const results::Results& given, const results::Course& course) {
  const auto page = report::html(given, course);
  if (!page) FAIL(page.error().text());
  return *page;
}

std::size_t count_of(const std::string& text, const std::string& what) {
  std::size_t count = 0;
  for (std::size_t at = text.find(what); at != std::string::npos; at = text.find(what, at + what.size())) ++count;
  return count;
}

}  // namespace

TEST_CASE("the page names itself a record for review, not a certificate", "[page]") {
  const std::string page = page_of(full_results(), full_course());
  CHECK(holds(page, "<h1>Calibration record for review</h1>"));
  CHECK(holds(page, "not a calibration certificate"));
  for (const char* blank : {"Laboratory", "Address", "Place of the calibration", "Date of receipt", "Date of issue",
                            "Authorised by", "Signature", "Environment"})
    CHECK(holds(page, blank));
}

TEST_CASE("every item, plateau, budget line, gap and caution stands on the page", "[page]") {
  const auto found = full_results();
  const std::string page = page_of(found, full_course());
  for (const auto& channel : found.channels) {
    CHECK(holds(page, channel.serial));
    if (!channel.certificate.empty()) CHECK(holds(page, channel.certificate));
  }
  for (const char* plateau :
       {"Plateau 1: \u221225.00", "Plateau 2: 15.00", "Plateau 3: 60.00", "Plateau 4: 15.00", "Plateau 5: 80.00"})
    CHECK(holds(page, plateau));
  for (const auto& line : found.plateaus[0].items[0].budget->lines) {
    CHECK(count_of(page, "<td>" + line.name + "</td>") == 8);  // 2 items at 4 plateaus
    CHECK(holds(page, line.source));
  }
  CHECK(holds(page, "the budget states nothing about source bath"));
  CHECK(holds(page, "U is too small"));
  for (const auto& caution : report::cautions(found)) CHECK(holds(page, caution));
  CHECK(holds(page, "ILAC-G8:09/2019, guard band w = U"));
  CHECK(holds(page, "95.45 %"));
  CHECK(holds(page, found.verification.head));
  CHECK(holds(page, "959441"));
}

TEST_CASE("errors, U, limits, conformance and verdicts are those of the results", "[page]") {
  const std::string page = page_of(full_results(), full_course());
  CHECK(count_of(page, ">not decided</td>") == 1);
  CHECK(count_of(page, ">within</td>") == 6);
  CHECK(count_of(page, "class=\"w strong\">outside</td>") == 1);
  CHECK(holds(page, "<td class=\"n\">0.6600</td><td class=\"n\">0.0598</td><td class=\"n\">2.00</td>"));
  CHECK(holds(page, "±0.500"));
  CHECK(holds(page, "99.98 %"));
  CHECK(holds(page, "the error is nearer to the limit than U"));
  // 2 µV as half-width, 24500 K/V: 24.5 mK a microvolt; 28.3 mK of the error.
  CHECK(holds(page,
              "<td class=\"n\">2.000</td><td class=\"u\">µV</td><td class=\"w\">rectangular</td><td class=\"n\">∞</td>"
              "<td class=\"n\">24.50</td><td class=\"n\">28.30</td>"));
}

TEST_CASE("what setpoints come to again say stands under the item's errors", "[page]") {
  const std::string page = page_of(full_results(), full_course());
  CHECK(count_of(page,
                 "<td class=\"n\">15.00</td><td class=\"n\">0.3100</td><td class=\"n\">0.3275 (2)</td>"
                 "<td class=\"n\">\u22120.0175</td><td class=\"n\">0.0035</td><td class=\"n\">1</td>") == 2);
  auto once = full_results();
  once.revisited.clear();
  CHECK_FALSE(holds(page_of(once, full_course()), "come to again /"));
}

TEST_CASE("what was skipped, marked, left out or done by people is told", "[page]") {
  const std::string page = page_of(full_results(), full_course());
  for (const char* told :
       {"Skipped: plateau 5 (80 °C): asked by ada.", "Not settled: plateau 3 (60 °C): out of time.",
        "Never closed: plateau 6 (95 °C).", "4 x open_sensor", "Left out: probe-2: open_sensor three times in a row.",
        "Reference SB-R-01 was past its due date", "hold by ada: lid open",
        "Plateau 3: read although the settle rule was not met."})
    CHECK(holds(page, told));
}

TEST_CASE("an item's fit stands with residuals and coefficients, and what cannot be fitted says why in a line",
          "[page]") {
  const std::string page = page_of(fitted_results(), full_course());
  CHECK(count_of(page, "<td>R0, ohm</td><td class=\"n\">100.05</td>") == 1);
  CHECK(holds(page, "<td>C, 1/°C⁴</td><td class=\"n\">\u22124.183e-12</td><td class=\"n\">held</td>"));
  CHECK(count_of(page, "±2 u: scatter and drift") == 1);
  CHECK(holds(page, "4 plateaus, \u221225.00 to 60.00 °C; degrees of freedom 1"));
  CHECK(count_of(page, ": not fitted: ") == 1);
  CHECK(holds(page, "probe-2, serial SB-T-02: not fitted: a transmitter is adjusted, not fitted."));
}

TEST_CASE("without a budget the page has its numbers and says that U is missing", "[page]") {
  auto found = full_results();
  found.lab_budget.reset();
  for (auto& plateau : found.plateaus)
    for (auto& item : plateau.items) {
      item.budget.reset();
      item.verdict.reset();
    }
  const std::string page = page_of(found, full_course());
  CHECK(holds(page, "the numbers carry no uncertainty, and no item is judged"));
  CHECK(holds(page, "0.6600"));
  CHECK_FALSE(holds(page, ">within</td>"));
}

TEST_CASE("a budget whose sum is not worked out shows its lines and says so", "[page]") {
  auto found = full_results();
  auto& budget = *found.plateaus[0].items[0].budget;
  budget.standard_k = budget.factor = budget.expanded_k = std::nullopt;
  CHECK(holds(page_of(found, full_course()), "u and U are not worked out"));
}

TEST_CASE("text from outside is text on the page", "[page]") {
  for (const std::string& hostile : {std::string("<script>alert(1)</script>"), std::string("\"'><img src=x onerror=y>"),
                                     std::string("{{{run}}} {{>x}} {{=<% %>=}}"), std::string("\x1b]0;t\x07\x9b"),
                                     std::string("\xe2\x80\xae"
                                                 "10-BS"),
                                     std::string("</title></style>")}) {
    auto found = full_results();
    auto course = full_course();
    set_every_text(found, course, hostile);
    const std::string page = page_of(found, course);
    CAPTURE(hostile);
    CHECK_FALSE(holds(page, "<script"));
    CHECK_FALSE(holds(page, "<img"));
    CHECK(count_of(page, "</style>") == 1);
    CHECK(count_of(page, "</title>") == 1);
    for (const char c : page) REQUIRE((c == '\n' || (static_cast<unsigned char>(c) >= 0x20 && c != '\x7f')));
    CHECK_FALSE(holds(page, "\xe2\x80\xae"));
  }
  auto found = full_results();
  auto course = full_course();
  set_every_text(found, course, "{{{run}}}");
  CHECK(holds(page_of(found, course), "{{{run}}}"));  // data, not a template
}

TEST_CASE("the page needs nothing from anywhere", "[page]") {
  const std::string page = page_of(full_results(), full_course());
  for (const char* reference : {"src=", "href=", "url(", "@import"}) CHECK_FALSE(holds(page, reference));
}

TEST_CASE("on a screen narrower than its paper the page is as wide as the screen", "[page]") {
  const std::string page = page_of({}, {});
  CHECK(holds(page, "name=\"viewport\""));
  CHECK(holds(page, "@media screen and (max-width: 215mm) { body { width: auto;"));
}

TEST_CASE("a run without plateaus, references or readings still makes a page", "[page]") {
  results::Results empty;
  empty.verification.head = std::string(64, '0');
  const std::string page = page_of(empty, {});
  CHECK(holds(page, "The plan names no items."));
  CHECK(holds(page, "ended without closing"));
}
