#include "relay/metrics.hpp"

#include "relay_page/told_run.hpp"

using namespace nightwell::relay;
using namespace nightwell::relay_test;

namespace {

bool has_line(const std::string& text, const std::string& line) {
  return ("\n" + text).find("\n" + line + "\n") != std::string::npos;
}

}  // namespace

TEST_CASE("metrics in OpenMetrics: families with their types, units and samples, and an end") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  run(620, "source", {{"source", "bath"}, {"target_c", -25.0}, {"temperature_c", -24.9}, {"output", true}});
  run(630, "disk", {{"syncs", 4}, {"mean_s", 0.5}, {"largest_s", 1.5}});
  RunView view = run.view();
  view.age_s = 2.5;
  RelayFigures relay;
  relay.followers.connected = 2;
  relay.followers.refused.not_allowed = 3;
  relay.lag_bytes["desk"] = 70;
  const std::string text = metrics_text(MetricsForm::open_metrics, {view}, relay);
  CHECK(has_line(text, "# TYPE nightwell_run info"));
  CHECK(has_line(text,
                 R"(nightwell_run_info{bench="cold room",run="cold-1",profile="two points",job="probes 1 to 8"} 1)"));
  CHECK(has_line(text, R"(nightwell_run_state{bench="cold room",nightwell_run_state="settle"} 1)"));
  CHECK(has_line(text, R"(nightwell_run_state{bench="cold room",nightwell_run_state="parked"} 0)"));
  CHECK(has_line(text, "# UNIT nightwell_setpoint_celsius celsius"));
  CHECK(has_line(text, R"(nightwell_setpoint_celsius{bench="cold room"} -25)"));
  CHECK(has_line(text, R"(nightwell_reference_temperature_celsius{bench="cold room"} -24.5)"));
  CHECK(has_line(text, R"(nightwell_source_temperature_celsius{bench="cold room",source="bath"} -24.9)"));
  CHECK(has_line(text, "# TYPE nightwell_readings counter"));
  CHECK(has_line(text, R"(nightwell_readings_total{bench="cold room"} 2)"));
  CHECK(has_line(text, R"(nightwell_plateaus{bench="cold room",outcome="open"} 2)"));
  CHECK(has_line(text, R"(nightwell_journal_age_seconds{bench="cold room"} 2.5)"));
  CHECK(has_line(text, R"(nightwell_journal_sync_seconds_count{bench="cold room"} 4)"));
  CHECK(has_line(text, R"(nightwell_journal_sync_seconds_sum{bench="cold room"} 2)"));
  CHECK(has_line(text, R"(nightwell_relay_connected{listener="followers"} 2)"));
  CHECK(has_line(text, R"(nightwell_relay_lag_bytes{follower="desk"} 70)"));
  CHECK(has_line(text, R"(nightwell_relay_refused_total{listener="followers",reason="not_allowed"} 3)"));
  CHECK(text.ends_with("\n# EOF\n"));
}

TEST_CASE("what was once so and is not known to be so now has no sample") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  RunView view = run.view();
  const auto has = [&](const char* name) {
    return metrics_text(MetricsForm::open_metrics, {view}, {}).find(std::string("\n") + name + "{") !=
           std::string::npos;
  };
  CHECK(has("nightwell_reference_temperature_celsius"));
  CHECK(has("nightwell_reading_rate_hertz"));
  view.age_s = 61;
  CHECK_FALSE(has("nightwell_reading_rate_hertz"));
  CHECK(has("nightwell_reference_temperature_celsius"));
  run(620, "sweep", sweep(1, 619, {nullptr, 3.0}));
  CHECK_FALSE(has("nightwell_reference_temperature_celsius"));
}

TEST_CASE("the older text form names counters in full and knows fewer types") {
  ToldRun run;
  open(run);
  const std::string text = metrics_text(MetricsForm::plain, {run.view()}, {});
  CHECK(has_line(text, "# TYPE nightwell_readings_total counter"));
  CHECK(has_line(text, "# TYPE nightwell_run_info gauge"));
  CHECK(text.find("# UNIT") == std::string::npos);
  CHECK(text.find("# EOF") == std::string::npos);
}

TEST_CASE("text from outside cannot leave its label") {
  ToldRun run;
  open(run, "a\"} 1\n# EOF\n\\", "b\xff\u202e");
  const std::string text = metrics_text(MetricsForm::open_metrics, {run.view()}, {});
  CHECK(text.find(R"(bench="a\"} 1\\x0a# EOF\\x0a\\")") != std::string::npos);
  CHECK(text.find(R"(job="b\\xff\\u202e")") != std::string::npos);
  CHECK(text.find("\n# EOF\n") == text.size() - 7);
}

TEST_CASE("two benches of one name do not make the text void") {
  ToldRun one, two;
  open(one);
  open(two);
  const std::string text = metrics_text(MetricsForm::open_metrics, {one.view(), two.view()}, {});
  const std::string line = R"(nightwell_readings_total{bench="cold room"} 0)";
  CHECK(text.find(line) == text.rfind(line));
}

TEST_CASE("which form a program asks for") {
  CHECK(wanted_form("") == MetricsForm::plain);
  CHECK(wanted_form("text/html, */*;q=0.8") == MetricsForm::plain);
  CHECK(wanted_form("application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,"
                    "text/plain;version=0.0.4;q=0.5,*/*;q=0.1") == MetricsForm::open_metrics);
  CHECK(wanted_form("text/plain, Application/OpenMetrics-Text; q=0.2") == MetricsForm::open_metrics);
  CHECK(wanted_form("application/openmetrics-text; q=0.0, text/plain") == MetricsForm::plain);
}
