# Fit one model with lme4, then its degrees of freedom with lmerTest; a line of JSON for each.
# Rscript mixed_model_peers.R ROWS.csv FORMULA ENOUGH_SECONDS df|""
suppressPackageStartupMessages(library(lmerTest))
given <- commandArgs(trailingOnly = TRUE)
rows <- read.csv(given[1], stringsAsFactors = TRUE)
model <- as.formula(given[2])
for (name in all.vars(model)[-1]) {
  if (is.integer(rows[[name]]) && !(name %in% c("t", "visit"))) rows[[name]] <- factor(rows[[name]])
}
settings <- lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE)

kept <- function(name) {
  line <- grep(paste0("^", name), readLines("/proc/self/status"), value = TRUE)
  as.numeric(gsub("[^0-9]", "", line)) / 1000
}

measured <- function(work) {
  invisible(gc())
  cat("5", file = "/proc/self/clear_refs")
  before <- kept("VmRSS")
  clock <- proc.time()
  result <- work()
  spent <- proc.time() - clock
  list(result = result, seconds = spent[["elapsed"]],
       cpu = spent[["user.self"]] + spent[["sys.self"]], added = kept("VmHWM") - before)
}

runs <- list()
repeat {
  run <- measured(function() suppressWarnings(suppressMessages(
    lme4::lmer(model, rows, control = settings))))
  fitted <- run$result
  run$result <- NULL
  runs[[length(runs) + 1]] <- run
  if (length(runs) == 5 || sum(sapply(runs, `[[`, "seconds")) > as.numeric(given[3])) break
}
best <- runs[[which.min(sapply(runs, `[[`, "seconds"))]]
cat(sprintf(paste0('{"seconds": %.4f, "cpu_seconds": %.4f, "peak_added_mb": %.1f, "runs": %d, ',
                   '"criterion": %.6f, "evaluations": %d, "version": "lme4 %s, lmerTest %s, R %s, %s"}\n'),
            best$seconds, best$cpu, runs[[1]]$added, length(runs), REMLcrit(fitted),
            as.integer(fitted@optinfo$feval), packageVersion("lme4"), packageVersion("lmerTest"),
            getRversion(), basename(dirname(extSoftVersion()[["BLAS"]]))))
flush(stdout())
if (given[4] == "df") {
  run <- measured(function() suppressWarnings(suppressMessages(
    coef(summary(as_lmerModLmerTest(fitted), ddf = "Satterthwaite"))[, "df"])))
  cat(sprintf('{"df_seconds": %.4f, "df_cpu_seconds": %.4f, "df": [%s]}\n', run$seconds, run$cpu,
              paste(sprintf("%.5f", run$result), collapse = ", ")))
}
