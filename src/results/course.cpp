#include "results/course.hpp"

#include <algorithm>

#include "results/fields.hpp"

namespace nightwell::results {

namespace {

Limit limit_of(const Fields& fields) {
  return {fields.number("within_s"), fields.text("otherwise")};
}

PlateauCourse plateau_of(const Fields& fields) {
  PlateauCourse out;
  out.index = static_cast<std::size_t>(fields.whole("plateau"));
  out.setpoint_c = fields.number("setpoint_c");
  out.source = fields.text("source");
  out.band_k = fields.number("band_k");
  const Fields settle = fields.object("settle");
  out.settle = {settle.number("window_s"), settle.number("largest_drift_k"), settle.number("largest_spread_k"),
                settle.has("item_drift_k") ? settle.number_or_null("item_drift_k") : std::nullopt};
  const Fields capture = fields.object("capture");
  out.capture = {capture.text("placement"), capture.text("order"), static_cast<std::size_t>(capture.whole("sweeps")),
                 capture.number("pause_s")};
  out.approach_limit = limit_of(fields.object("approach_limit"));
  out.settle_limit = limit_of(fields.object("settle_limit"));
  out.capture_limit = limit_of(fields.object("capture_limit"));
  return out;
}

std::string joined(const std::string& first, const std::string& second) {
  return first.empty() || second.empty() ? first + second : first + ": " + second;
}

class CourseCollector {
 public:
  explicit CourseCollector(const Results& results)
      : results_(results), converter_(results.channels, SweepConverter::Which::references) {}

  void take(const journal::Record& record) {
    if (error_ || record.n >= results_.verification.lines) return;
    const Fields fields(record, error_);
    const double at_s = up_s(record.up);
    out_.end_s = at_s;
    if (record.kind == "opening") take_opening(fields);
    if (record.kind == "plateau_plan") out_.plateaus.push_back(plateau_of(fields));
    if (record.kind == "identity") out_.identities.push_back({fields.text("instrument"), fields.text("text")});
    if (record.kind == "phase") take_phase(fields, at_s);
    if (record.kind == "command")
      out_.steps.push_back({at_s, fields.text("source"), fields.number("target_c"), fields.at("output") == true});
    if (record.kind == "sweep") take_sweep(sweep_record_of(fields, record));
    if (record.kind == "plateau") take_plateau(fields, at_s);
    take_event(record.kind, fields, at_s);
  }

  void take(const journal::SweepRecord& record) {
    if (error_ || record.n >= results_.verification.lines) return;
    out_.end_s = up_s(record.up);
    take_sweep(record);
  }

  Result<Course> finish() && {
    if (error_) return *error_;
    out_.reference = decimated(points_, most_points);
    return std::move(out_);
  }

 private:
  void take_opening(const Fields& fields) {
    out_.orders = orders_of(fields, results_.channels.size());
    const Fields files = fields.object("files");
    if (!fields.ok()) return;
    for (const auto& [name, hash] : fields.at("files").items()) out_.files.emplace_back(name, files.text(name.c_str()));
  }

  void take_phase(const Fields& fields, double at_s) {
    PhaseChange phase{at_s, fields.text("phase"), std::nullopt, fields.number_or_null("setpoint_c"),
                      fields.text("why")};
    if (const auto plateau = fields.whole_or_null("plateau")) phase.plateau = static_cast<std::size_t>(*plateau);
    out_.phases.push_back(std::move(phase));
  }

  void take_sweep(const journal::SweepRecord& record) {
    if (error_) return;
    const auto sweep = sweep_of(record, out_.orders);
    if (!sweep) {
      error_ = sweep.error();
      return;
    }
    if (const auto point = mean_reference(results_.channels, *sweep, converter_.temperatures_c(*sweep)))
      points_.push_back(*point);
  }

  void take_plateau(const Fields& fields, double at_s) {
    const auto index = fields.whole("plateau");
    const auto plateau = std::find_if(out_.plateaus.begin(), out_.plateaus.end(),
                                      [&](const PlateauCourse& one) { return one.index == index; });
    if (plateau == out_.plateaus.end()) return fields.fail("this plateau was never planned");
    plateau->closed_s = at_s;
    if (fields.at("window").is_null()) return;
    const Fields window = fields.object("window");
    SettleWindow out{window.number("from_s"),  window.number("to_s"),     window.number("mean_c"),
                     window.number("drift_k"), window.number("spread_k"), {}};
    for (const Point& point : points_)
      if (point.at_s >= out.from_s && point.at_s <= out.to_s) out.points.push_back(point);
    out.points = decimated(out.points, most_points);
    plateau->window = std::move(out);
  }

  void take_event(const std::string& kind, const Fields& fields, double at_s) {
    const auto add = [&](std::string text) { out_.events.push_back({at_s, kind, std::move(text)}); };
    if (kind == "person") add(joined(fields.text("request") + " by " + fields.text("who"), fields.text("why")));
    if (kind == "ask" || kind == "note" || kind == "storage") add(fields.text("text"));
    if (kind == "failure") add(fields.text("cause"));
    if (kind == "guard") add(joined(fields.text("guard"), fields.text("text")));
    if (kind == "fault") add(joined(fields.text("instrument") + ", " + fields.text("code"), fields.text("text")));
    if (kind == "left_out") add(joined(fields.text("channel"), fields.text("why")));
    if (kind != "park") return;
    const std::string source = fields.text("source");
    out_.steps.push_back({at_s, source, 0, false});
    const bool untouched = fields.has("untouched") && fields.at("untouched") == true;
    add(joined(source + (untouched ? ", which this run never told anything" : "") +
                   (fields.at("confirmed") == true ? ", confirmed" : ", NOT CONFIRMED"),
               joined(fields.text("cause"), fields.text("text"))));
  }

  const Results& results_;
  SweepConverter converter_;
  std::optional<Error> error_;
  std::vector<Point> points_;
  Course out_;
};

}  // namespace

std::vector<Point> decimated(const std::vector<Point>& points, std::size_t most) {
  if (points.size() <= std::max<std::size_t>(most, 4)) return points;
  const std::size_t buckets = (std::max<std::size_t>(most, 4) - 2) / 2;
  const double first_s = points.front().at_s;
  const double width_s = (points.back().at_s - first_s) / static_cast<double>(buckets);
  const auto bucket = [&](std::size_t i) {
    if (!(width_s > 0)) return std::size_t{0};
    const double number = (points[i].at_s - first_s) / width_s;
    return std::min(buckets - 1, static_cast<std::size_t>(std::max(0.0, number)));
  };
  std::vector<Point> out{points.front()};
  for (std::size_t i = 1; i + 1 < points.size();) {
    std::size_t low = i, high = i;
    const std::size_t here = bucket(i);
    for (; i + 1 < points.size() && bucket(i) <= here; ++i) {
      if (points[i].value < points[low].value) low = i;
      if (points[i].value > points[high].value) high = i;
    }
    out.push_back(points[std::min(low, high)]);
    if (low != high) out.push_back(points[std::max(low, high)]);
  }
  out.push_back(points.back());
  return out;
}

Result<Course> course(const std::filesystem::path& path, const Results& results) {
  CourseCollector collector(results);
  const auto take = [&](const auto& record) { collector.take(record); };
  const auto verification = journal::read(path, take, take);
  if (!verification) return verification.error();
  auto out = std::move(collector).finish();
  if (out) return out;
  Error error = out.error();
  error.where = path.string();
  return error;
}

Result<Course> course(std::span<const journal::Record> records, const Results& results) {
  CourseCollector collector(results);
  for (const auto& record : records) collector.take(record);
  return std::move(collector).finish();
}

}  // namespace nightwell::results
