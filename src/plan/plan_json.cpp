#include "plan/plan_json.hpp"

#include "journal/or_null.hpp"
#include "plan/sensor_json.hpp"
#include "plan/tolerance_json.hpp"
#include "sequence/reading_order.hpp"

namespace nightwell::plan {

namespace {

using OrderedJson = nlohmann::ordered_json;
using journal::or_null;
using namespace sequence;  // NOLINT: this file is about its types only

struct ToJson {
  OrderedJson operator()(const SerialPort& p) const {
    OrderedJson out = {{"type", "serial"},   {"path", p.path},           {"baud", p.baud}, {"data_bits", p.data_bits},
                       {"parity", p.parity}, {"stop_bits", p.stop_bits}, {"flow", p.flow}};
    if (p.dtr != "as_opened") out["dtr"] = p.dtr;
    if (p.rts != "as_opened") out["rts"] = p.rts;
    return out;
  }
  OrderedJson operator()(const TcpPort& p) const { return {{"type", "tcp"}, {"host", p.host}, {"port", p.port}}; }
  OrderedJson operator()(const PtyPort& p) const { return {{"type", "pty"}, {"path", p.path}}; }

  OrderedJson operator()(const JunctionNone&) const { return nullptr; }
  OrderedJson operator()(const JunctionChannel& j) const { return {{"channel", j.channel}}; }
  OrderedJson operator()(const JunctionFixed& j) const { return {{"fixed_c", j.t_c}}; }
  OrderedJson operator()(const JunctionInstrument&) const { return {{"instrument", true}}; }
};

OrderedJson heating(Duration window, double gain_k) {
  return {{"window_s", to_seconds(window)}, {"gain_k", gain_k}};
}

OrderedJson program_json(const DriverProgram& program) {
  return {{"file", program.file}, {"path", program.path}, {"arguments", program.arguments}, {"sha256", program.sha256}};
}

OrderedJson scanner_json(const Scanner& scanner) {
  OrderedJson out = {{"name", scanner.name}, {"driver", scanner.driver}};
  if (!scanner.dialect.file.empty()) out["dialect"] = scanner.dialect.file;
  if (!scanner.program.file.empty()) out["program"] = program_json(scanner.program);
  out["port"] = std::visit(ToJson{}, scanner.port);
  out["reply_s"] = to_seconds(scanner.reply);
  out["identity"] = scanner.identity;
  if (scanner.wire_log) out["wire_log"] = true;
  return out;
}

OrderedJson source_json(const Source& source) {
  OrderedJson out = {{"name", source.name},
                     {"kind", name(source.kind)},
                     {"attended", source.attended},
                     {"lowest_c", source.lowest_c},
                     {"highest_c", source.highest_c},
                     {"safe_c", source.safe_c},
                     {"absolute_highest_c", source.absolute_highest_c}};
  if (source.attended) return out;
  out["driver"] = source.driver;
  if (!source.dialect.file.empty()) out["dialect"] = source.dialect.file;
  if (!source.program.file.empty()) out["program"] = program_json(source.program);
  out["port"] = std::visit(ToJson{}, source.port);
  out["reply_s"] = to_seconds(source.reply);
  out["identity"] = source.identity;
  if (source.wire_log) out["wire_log"] = true;
  out["lease_s"] = to_seconds(source.lease);
  out["poll_s"] = to_seconds(source.poll);
  out["stale_s"] = to_seconds(source.stale);
  out["heating"] = heating(source.heating_window, source.heating_gain_k);
  out["readback_tolerance_k"] = source.readback_tolerance_k;
  return out;
}

// A survey needs no rule of these: what its profile does not give is null, and no zero that somebody might take for a limit.
OrderedJson seconds_or_null(Duration length) {
  return length == Duration::zero() ? OrderedJson(nullptr) : OrderedJson(to_seconds(length));
}

OrderedJson guards_json(const Guards& guards) {
  return {
      {"reference_lowest_c", or_null(guards.reference_lowest_c)},
      {"reference_highest_c", or_null(guards.reference_highest_c)},
      {"item_lowest_c", or_null(guards.item_lowest_c)},
      {"item_highest_c", or_null(guards.item_highest_c)},
      {"stale_s", seconds_or_null(guards.stale)},
      {"heating", guards.heating_window == Duration::zero() ? OrderedJson(nullptr)
                                                            : heating(guards.heating_window, guards.heating_gain_k)}};
}

OrderedJson sampling_json(const Sampling& sampling) {
  if (sampling.every == Duration::zero()) return nullptr;
  return {{"every_s", to_seconds(sampling.every)}, {"items_every_s", to_seconds(sampling.items_every)}};
}

OrderedJson limit_json(const PhaseLimit& limit) {
  return {{"within_s", to_seconds(limit.within)}, {"otherwise", name(limit.otherwise)}};
}

OrderedJson cooldown_json(const CooldownPlan& cooldown) {
  return {{"target_c", cooldown.target_c},
          {"leave_between_c", {cooldown.leave_between_low_c, cooldown.leave_between_high_c}},
          {"within_s", to_seconds(cooldown.limit.within)},
          {"otherwise", name(cooldown.limit.otherwise)}};
}

OrderedJson survey_json(const Survey& survey) {
  return {{"every_s", to_seconds(survey.every)},
          {"lasts_s", to_seconds(survey.lasts)},
          {"expected_c", survey.expected_c},
          {"outlier_k", survey.outlier_k}};
}

}  // namespace

OrderedJson plan_record(const Plan& plan) {
  OrderedJson out = {{"scanners", OrderedJson::array()}, {"sources", OrderedJson::array()}};
  for (const Scanner& scanner : plan.scanners) out["scanners"].push_back(scanner_json(scanner));
  for (const Source& source : plan.sources) out["sources"].push_back(source_json(source));
  out["sampling"] = sampling_json(plan.sampling);
  out["guards"] = guards_json(plan.guards);
  out["cooldown"] = plan.survey ? OrderedJson(nullptr) : cooldown_json(plan.cooldown);
  out["survey"] = plan.survey ? survey_json(*plan.survey) : OrderedJson(nullptr);
  return out;
}

OrderedJson card_record(const Plan& plan, std::size_t index) {
  const Channel& channel = plan.channels[index];
  const SensorCard& card = channel.card;
  return {{"channel", index},
          {"name", channel.name},
          {"role", name(channel.role)},
          {"scanner", plan.scanners[channel.scanner].name},
          {"address", channel.address},
          {"measures", name(channel.measures)},
          {"junction", std::visit(ToJson{}, channel.junction)},
          {"serial", card.serial},
          {"type", card.type},
          {"model", model_json(card.model)},
          {"lowest_c", card.lowest_c},
          {"highest_c", card.highest_c},
          {"certificate", card.certificate},
          {"calibrated", card.calibrated},
          {"due", card.due},
          {"u95_k", or_null(card.u95_k)},
          {"tolerance", card.tolerance ? tolerance_json(*card.tolerance) : OrderedJson(nullptr)},
          {"file", card.file}};
}

std::vector<OrderedJson> dialect_records(const Plan& plan) {
  std::map<std::string, const DialectFile*> files;
  for (const Scanner& scanner : plan.scanners) files.emplace(scanner.dialect.file, &scanner.dialect);
  for (const Source& source : plan.sources) files.emplace(source.dialect.file, &source.dialect);
  std::vector<OrderedJson> out;
  for (const auto& [file, dialect] : files)
    if (!file.empty()) out.push_back({{"file", file}, {"dialect", OrderedJson::parse(dialect->json)}});
  return out;
}

OrderedJson budget_record(const Plan& plan) {
  return {{"budget", OrderedJson::parse(plan.budget)}};
}

OrderedJson plateau_record(const Plan& plan, std::size_t index) {
  const Plateau& plateau = plan.plateaus[index];
  return {{"plateau", index},
          {"setpoint_c", plateau.setpoint_c},
          {"source", plan.sources[plateau.source].name},
          {"band_k", plateau.band_k},
          {"settle",
           {{"window_s", to_seconds(plateau.settle.window)},
            {"largest_drift_k", plateau.settle.largest_drift_k},
            {"largest_spread_k", plateau.settle.largest_spread_k},
            {"item_drift_k", or_null(plateau.settle.item_drift_k)}}},
          {"capture",
           {{"placement", name(plateau.capture.placement)},
            {"order", name(plateau.capture.order)},
            {"sweeps", plateau.capture.sweeps},
            {"pause_s", to_seconds(plateau.capture.pause)}}},
          {"approach_limit", limit_json(plateau.approach_limit)},
          {"settle_limit", limit_json(plateau.settle_limit)},
          {"capture_limit", limit_json(plateau.capture_limit)}};
}

}  // namespace nightwell::plan
