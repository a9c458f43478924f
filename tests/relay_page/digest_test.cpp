#include "relay/digest.hpp"

#include <algorithm>

#include "relay_page/told_run.hpp"

using namespace nightwell::relay;
using namespace nightwell::relay_test;

TEST_CASE("where the run is: state, plateau, setpoint and since when") {
  ToldRun run;
  open(run);
  const Digest& digest = run.digest();
  CHECK(digest.bench == "cold room");
  CHECK(digest.job == "probes 1 to 8");
  CHECK(digest.phase == "settle");
  CHECK(digest.phase_since->utc == utc_at(600));
  CHECK(digest.plateau == 0);
  CHECK(digest.plateaus.size() == 2);
  CHECK(digest.setpoint_c == -25.0);
  CHECK(digest.records == run.n);
}

TEST_CASE("the reference is worked out from raw readings, and the fault of a channel is counted") {
  ToldRun run;
  open(run);
  run(610, "sweep", sweep(0, 609, {-24.5, 3.0}));
  Json faulty = sweep(1, 619, {-24.25, nullptr});
  faulty["faults"] = {{"1", {{"code", "open_sensor"}, {"text", ""}}}};
  faulty["odd"] = {{"0", "answered twice"}};
  run(620, "sweep", faulty);
  const Digest& digest = run.digest();
  CHECK(digest.reference_c == -24.25);
  CHECK(digest.reference_at->utc == utc_at(620));
  REQUIRE(digest.course.size() == 2);
  CHECK(digest.course[0].at_s == 609);
  CHECK(digest.readings == 4);
  CHECK(digest.reading_faults.at("open_sensor") == 1);
  CHECK(digest.odd_replies == 1);
}

TEST_CASE("the reading rate is that of the last minute of the run") {
  ToldRun run;
  open(run);
  for (int i = 0; i < 12; ++i)
    run(600 + 10 * i, "sweep", sweep(static_cast<std::uint64_t>(i), 600 + 10 * i, {1.0, 2.0}));
  CHECK(run.digest().readings_per_s == Approx(6 * 2 / 60.0));  // at 660, 670, … 710
  run(800, "tick", Json::object());
  CHECK(run.digest().readings_per_s == 0);
}

TEST_CASE("overdue is said until the state changes") {
  ToldRun run;
  open(run);
  run(9000, "overdue", {{"phase", "settle"}, {"text", "it settles for 2 h 20 min"}});
  CHECK(run.digest().overdue == "it settles for 2 h 20 min");
  run(9100, "phase", phase("capture", 0, -25.0, "steady"));
  CHECK(run.digest().overdue.empty());
}

TEST_CASE("a question stands until it is answered") {
  ToldRun run;
  open(run);
  run(700, "phase", phase("waiting", 1, 5.0, "a person sets the source"));
  run(700, "ask", {{"text", "set the ice bath"}, {"source", "ice"}, {"setpoint_c", 0.0}});
  REQUIRE(run.digest().questions.size() == 1);
  CHECK(run.digest().questions[0].text == "set the ice bath");
  run(800, "person", {{"request", "ready"}, {"who", "night shift"}, {"why", ""}});
  CHECK(run.digest().questions.empty());
}

TEST_CASE("parked is confirmed once every source has said so") {
  ToldRun run;
  open(run, "b", "j", {source_plan("bath"), source_plan("furnace"), source_plan("ice point", true)});
  run(700, "phase", phase("parked", nullptr, nullptr, "a guard was crossed"));
  CHECK(run.digest().parked());
  CHECK_FALSE(run.digest().park_confirmed());
  const auto park = [&](const char* source, bool confirmed) {
    run(710, "park",
        {{"source", source}, {"cause", "asked"}, {"confirmed", confirmed}, {"untouched", false}, {"text", ""}});
  };
  park("bath", true);
  CHECK_FALSE(run.digest().park_confirmed());  // the furnace has said nothing
  park("furnace", false);
  CHECK_FALSE(run.digest().park_confirmed());
  park("furnace", true);
  CHECK(run.digest().park_confirmed());
}

TEST_CASE("a source that a person must switch off is not confirmed by anybody, and stays to be done") {
  ToldRun run;
  open(run, "b", "j", {source_plan("bath"), source_plan("furnace", true)});
  run(600, "phase", phase("waiting", 1, 90.0, "a person sets the source"));
  run(600, "ask", {{"text", "set furnace to 90"}, {"source", "furnace"}, {"setpoint_c", 90.0}});
  run(700, "phase", phase("parked", nullptr, nullptr, "asked"));
  CHECK(run.digest().questions.empty());
  run(700, "ask", {{"text", "switch furnace off by hand now"}, {"source", "furnace"}, {"setpoint_c", nullptr}});
  run(701, "park", {{"source", "bath"}, {"confirmed", true}, {"untouched", false}, {"text", ""}});
  CHECK_FALSE(run.digest().park_confirmed());
  CHECK(run.digest().open_questions() == 1);
  run(702, "closing", {{"ending", "parked"}, {"why", "asked"}});
  CHECK_FALSE(run.digest().park_confirmed());
  REQUIRE(run.digest().questions.size() == 1);
  CHECK(run.digest().questions[0].text == "switch furnace off by hand now");
  CHECK(run.digest().open_questions() == 0);
}

TEST_CASE("a held run asks again: until then nobody can answer") {
  ToldRun run;
  open(run);
  run(700, "phase", phase("waiting", 1, 5.0, "a person sets the source"));
  run(700, "ask", {{"text", "set the ice bath"}, {"source", "ice"}, {"setpoint_c", 0.0}});
  CHECK(run.digest().open_questions() == 1);
  run(710, "phase", phase("held", 1, 5.0, "asked"));
  CHECK(run.digest().open_questions() == 0);
}

TEST_CASE("what plateaus came to, faults of sources, the disk, and the end") {
  ToldRun run;
  open(run);
  run(900, "plateau", {{"plateau", 0}, {"outcome", "settled"}, {"window", {{"mean_c", -25.001}, {"drift_k", 0.001}}}});
  run(950, "plateau", {{"plateau", 1}, {"outcome", "skipped"}, {"window", nullptr}, {"why", "a person"}});
  run(960, "fault", {{"instrument", "bath"}, {"code", "no_answer"}, {"text", "no reply"}});
  run(961, "storage", {{"event", "slow"}, {"text", "a sync took 6 s"}});
  run(962, "disk", {{"syncs", 120}, {"mean_s", 0.01}, {"largest_s", 6.0}, {"asked_again", {{"scanner a", 2}}}});
  run(963, "disk",
      {{"syncs", 80},
       {"mean_s", 0.02},
       {"largest_s", 0.1},
       {"copy_behind_bytes", 300},
       {"asked_again", {{"scanner a", 1}, {"scanner b", 0}}}});
  run(964, "disk", {{"syncs", 0}, {"mean_s", nullptr}, {"largest_s", nullptr}, {"copy_behind_bytes", nullptr}});
  run(965, "hook", {{"hook", "mail"}, {"outcome", "done"}})(966, "hook", {{"hook", "mail"}, {"outcome", "time_limit"}});
  run(970, "closing", {{"ending", "finished"}, {"why", "every plateau is done"}});
  run(970, "seal", {{"algorithm", "none"}, {"key", nullptr}, {"signature", nullptr}});
  const Digest& digest = run.digest();
  CHECK(digest.count("settled") == 1);
  CHECK(digest.count("skipped") == 1);
  CHECK(digest.plateaus[0].mean_c == -25.001);
  CHECK(digest.source_faults.at("no_answer") == 1);
  CHECK(digest.storage_events.at("slow") == 1);
  CHECK(digest.disk->syncs == 200);
  CHECK(digest.disk->waited_s == Approx(120 * 0.01 + 80 * 0.02));
  CHECK(digest.disk->largest_s == 6.0);
  CHECK_FALSE(digest.disk->copy_behind_bytes);
  CHECK(digest.asked_again.at("scanner a") == 3);
  CHECK(digest.hooks.at("time_limit") == 1);
  CHECK(digest.closed);
  CHECK(digest.ending == "finished");
  CHECK(digest.seal_algorithm == "none");
  CHECK(digest.events.size() == 10);
  CHECK(digest.events.back().kind == "seal");
}

TEST_CASE("a digest stays small whatever the journal holds, and loses no extreme of the course") {
  ToldRun run;
  open(run);
  for (int i = 0; i < 5000; ++i) {
    const double t_c = i == 1234 ? 77.0 : i == 4321 ? -88.0 : 20.0 + i % 7;
    run(1000 + i, "sweep", sweep(static_cast<std::uint64_t>(i), 1000 + i, {t_c, 2.0}));
    run(1000 + i, "fault",
        {{"instrument", "x"}, {"code", "code_" + std::to_string(i)}, {"text", std::string(2000, 'x')}});
    run(1000 + i, "phase", phase("approach", 0, 1.0 * i, "again"));
    run(1000 + i, "command", {{"source", "source " + std::to_string(i)}, {"target_c", 1.0}, {"output", true}});
    run(1000 + i, "ask", {{"text", "what?"}, {"source", std::to_string(i)}, {"setpoint_c", 0.0}});
    run(1000 + i, "plateau_plan", plateau_plan(static_cast<std::size_t>(i) + 2, 1));
    run(1000 + i, "left_out", {{"channel", "c" + std::to_string(i)}, {"why", "open"}});
  }
  const Digest& digest = run.digest();
  CHECK(digest.course.size() < 2 * most_course_points);
  const auto lower = [](const auto& a, const auto& b) { return a.value < b.value; };
  CHECK(std::max_element(digest.course.begin(), digest.course.end(), lower)->value == 77.0);
  CHECK(std::min_element(digest.course.begin(), digest.course.end(), lower)->value == -88.0);
  CHECK(digest.source_faults.size() <= most_codes + 1);
  CHECK(digest.all_source_faults() == 5000);
  CHECK(digest.setpoints.size() <= most_setpoints);
  CHECK(digest.sources.size() <= most_sources);
  CHECK(digest.questions.size() <= most_sources);
  CHECK(digest.plateaus.size() <= most_plateaus);
  CHECK(digest.left_out.size() <= most_left_out);
  CHECK(digest.events.size() == most_events);
  for (const EventDigest& event : digest.events) CHECK(event.text.size() < 4 * longest_event);
}

TEST_CASE("records of any shape are taken: what is missing is left out") {
  for (const char* kind :
       {"opening", "card", "plateau_plan", "phase",  "command", "source",  "sweep", "person",  "ask", "fault", "guard",
        "plateau", "park", "left_out",     "survey", "note",    "storage", "disk",  "closing", "seal"}) {
    for (const Json& body :
         {Json::object(), Json{{"channels", 1}, {"orders", {{"straight", {0, 9}}}}, {"channel", -1}},
          Json{{"plateau", 1e300}, {"setpoint_c", "x"}, {"window", 3}, {"raw", {1}}, {"order", 1}}}) {
      ToldRun run;
      open(run);
      run(700, kind, body);
      CHECK(run.digest().records == run.n);
    }
  }
}
