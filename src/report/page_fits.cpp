// What the page says of each item's fit.
#include "report/fit_words.hpp"
#include "report/numbers.hpp"
#include "report/page_data.hpp"
#include "results/fit_item.hpp"

namespace nightwell::report {

namespace {

using results::Channel;
using results::ItemFit;
using results::Results;

constexpr const char* words_of_fits =
    "No error, uncertainty or verdict in this record rests on these curves. A point is a plateau: the reference at the "
    "moments of the item's readings, and the item's mean raw value. Residual: fitted sensor minus reference; left out: "
    "the same, had the fit not seen that plateau. u: scatter of the readings and drift during the capture, which "
    "differ "
    "from plateau to plateau; what all plateaus share (certificates, scanner, source) does not show in residuals and "
    "stands in the budgets. Standard uncertainties of coefficients: from the points' u, and the same scaled by what "
    "the "
    "residuals show. Coefficients hang together: use all their digits.";

// What is fitted, with the choices of this page; `nightwell fit` has others.
struct Equation {
  std::string operator()(const thermometry::Thermocouple&) const {
    return "emf − reference function = c1 t + c2 t², in µV";
  }
  std::string operator()(const thermometry::Platinum&) const {
    return "R = R0 (1 + A t + B t² + C (t − 100) t³ below 0 °C), C held";
  }
  std::string operator()(const thermometry::Sprt&) const {
    return "W − Wr = the deviation function of the card's subrange of the ITS-90";
  }
  std::string operator()(const thermometry::Thermistor&) const { return "1/T = a + b ln R + c (ln R)³, in K and ohm"; }
  std::string operator()(const auto&) const { return ""; }
};

// Held at 0: the equation has no such term.
bool absent(const CoefficientWords& words) {
  return words.uncertainty == "held" && words.value == "0";
}

PageData fit_coefficient(const CoefficientWords& words) {
  PageData out;
  put(out, "name", words.name);
  put(out, "value", with_minus(words.value));
  put(out, "uncertainty", words.uncertainty);
  put(out, "by_residuals", words.by_residuals);
  return out;
}

PageData fit_entry(const Results& results, const ItemFit& fit) {
  const Channel& channel = results.channels[fit.channel];
  PageData out;
  put(out, "name", channel.name);
  put(out, "serial", or_dash(channel.serial));
  put(out, "type", channel.type);
  out.set("has_type", PageData(!channel.type.empty()));
  put(out, "equation", std::visit(Equation{}, fit.fit.model));
  put(out, "summary",
      counted(fit.points.size(), "plateau") + ", " + shown_number(fit.fit.range.low_c, 2) + " to " +
          shown_number(fit.fit.range.high_c, 2) + " °C; " + fit_summary(fit.fit) + ".");
  put_drawing(out, "plot", residual_plot(results, fit));
  std::vector<PageData> coefficients;
  for (const auto& words : coefficient_words(fit.fit))
    if (!absent(words)) coefficients.push_back(fit_coefficient(words));
  put_list(out, "coefficients", coefficients);
  put_texts(out, "warnings", fit_warnings(fit.fit));
  return out;
}

}  // namespace

void put_fits(PageData& page, const Results& results) {
  std::vector<PageData> fits;
  std::vector<std::string> unfitted;
  for (std::size_t i = 0; i < results.channels.size(); ++i) {
    const Channel& channel = results.channels[i];
    if (channel.role != results::Role::item) continue;
    const auto fit = results::fit_channel(results, i, {});
    if (fit)
      fits.push_back(fit_entry(results, *fit));
    else
      unfitted.push_back(channel.name + ", serial " + or_dash(channel.serial) + ": not fitted: " +
                         (fit.error().detail.empty() ? fit.error().text() : fit.error().detail) + ".");
  }
  put(page, "fit_words", words_of_fits);
  put_list(page, "fits", fits);
  put_texts(page, "unfitted", unfitted);
}

}  // namespace nightwell::report
