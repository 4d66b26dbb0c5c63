import java.io.FileInputStream;
import java.io.InputStream;
import java.util.Map;
import java.util.TreeMap;
import org.verapdf.gf.foundry.VeraGreenfieldFoundryProvider;
import org.verapdf.pdfa.Foundries;
import org.verapdf.pdfa.PDFAParser;
import org.verapdf.pdfa.flavours.PDFAFlavour;
import org.verapdf.pdfa.results.TestAssertion;
import org.verapdf.pdfa.results.ValidationResult;

/**
 * Judges PDFs by veraPDF's engine: java Vera.java FLAVOURS FILE... writes one line a file and flavour, with tabs:
 * file, flavour, "pass" or "fail" or "error", how many assertions were made, and the rules that were broken.
 */
public class Vera {
    public static void main(String[] arguments) {
        java.util.logging.LogManager.getLogManager().reset();
        VeraGreenfieldFoundryProvider.initialise();
        for (int i = 1; i < arguments.length; i++) {
            for (String name : arguments[0].split(",")) {
                System.out.println(arguments[i] + "\t" + name + "\t" + judge(arguments[i], PDFAFlavour.fromString(name)));
            }
        }
    }

    private static String judge(String file, PDFAFlavour flavour) {
        try (InputStream stream = new FileInputStream(file);
                PDFAParser parser = Foundries.defaultInstance().createParser(stream, flavour)) {
            ValidationResult found = Foundries.defaultInstance().createValidator(flavour, false).validate(parser);
            Map<String, String> broken = new TreeMap<>();
            for (TestAssertion each : found.getTestAssertions()) {
                if (each.getStatus() == TestAssertion.Status.FAILED) {
                    String rule = each.getRuleId().getClause() + "-" + each.getRuleId().getTestNumber();
                    broken.putIfAbsent(rule, each.getMessage().replaceAll("\\s+", " "));
                }
            }
            return (found.isCompliant() ? "pass" : "fail") + "\t" + found.getTotalAssertions() + "\t" + broken;
        } catch (Throwable error) {
            return "error\t0\t" + error;
        }
    }
}
